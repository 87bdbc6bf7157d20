"""Whether a referral is delivered: both offices that it names are bound, so that they are parties to its case.

A referral of which one is not bound is kept and waits. The dental office does not see it meanwhile, also when it is the
physician's practice that is not bound: nobody begins a treatment that no physician follows.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.errors import Category, Problem
from service.fhir.json_text import load
from service.pipeline.access.admitting import Party, admit, offices_of, tell_of_offices
from service.pipeline.access.naming import NamedParty, Resolver, named_in
from service.pipeline.commitments import Admitted
from service.pipeline.derived import Derived
from service.pipeline.fact_rows import split
from service.store import directory, parties, resources
from service.store.cases import Case
from service.store.directory import WaitingParty
from service.store.parties import FULFILLER, LAB, PLACER

NOBODY = "-"
"""Stands for the dental office of a referral that is not delivered, so that an earlier one does not act for it."""
HOLDING = frozenset({PLACER, FULFILLER})
"""The parts without which a referral is not delivered."""
_WORDS = {PLACER: "the physician's practice", FULFILLER: "the dental office", LAB: "the laboratory"}


def settle(
    connection: Connection, case: Case, derived: Derived, named: Sequence[NamedParty], own: set[Party], sender: str
) -> tuple[set[Party], Admitted]:
    """Make those parties of a case that are bound, and let the others wait; the parties that are new.

    `own` is the sender's part in the case it opens, whatever the referral names; `sender` its organisation.
    """
    number = case.case_number
    told = {one.part for one in named} & HOLDING
    directory.forget_waiting(connection, number, told)
    found = {(one.standing.organisation, one.part) for one in named if one.standing.organisation} | own
    waiting = unbound(named, found | parties.of_case(connection, number))
    directory.wait(connection, [row for one in waiting for row in _rows(case, one, sender)])
    derived.waits_for = sorted({row.part for row in directory.waiting_of(connection, number)} & HOLDING)
    if FULFILLER in told:
        asked = next(one.standing.organisation for one in named if one.part == FULFILLER)
        goes_on = (asked, FULFILLER) in parties.of_case(connection, number)
        derived.asked_of = asked if asked and (goes_on or not derived.waits_for) else NOBODY
    return admit(connection, case, {p for p in found if p[1] != FULFILLER or not derived.waits_for})


def unbound(named: Sequence[NamedParty], known: set[Party]) -> list[NamedParty]:
    """Those named that no binding leads to an organisation; a practice that is a party already needs none."""
    placed = any(part == PLACER for _, part in known)
    return [one for one in named if not one.standing.organisation and not (one.part == PLACER and placed)]


def deliver(connection: Connection, case: Case, derived: Derived) -> tuple[set[Party], Admitted]:
    """What waits of a case resolved again by today's bindings; the parties that are new."""
    rows = directory.waiting_of(connection, case.case_number)
    laboratories = {
        (bound, LAB)
        for row in rows
        if row.part == LAB and (bound := directory.bound_to(connection, (row.kind, row.system, row.value), row.sender))
    }
    if laboratories:
        directory.forget_waiting(connection, case.case_number, [LAB])
    named: list[NamedParty] = []
    sender = next((row.sender for row in rows if row.part in HOLDING), "")
    held = resources.current(connection, *split(case.referral)) if any(row.part in HOLDING for row in rows) else None
    if held is not None:
        named = named_in(load(held.body), Resolver(connection, sender, {}), "")
    new, admitted = settle(connection, case, derived, named, laboratories, sender)
    if new:
        derived.offices = derived.offices or offices_of(connection, case.case_number)
        admitted += tell_of_offices(connection, {organisation for organisation, _ in new}, derived.offices)
    return new, admitted


def warning(one: NamedParty, is_held: bool) -> Problem:
    """What the sender is told of a party that is not bound; `is_held` when the referral is not delivered for it."""
    who = _WORDS[one.part]
    numbers = ", ".join(f"«{value[:64]}»" for _, _, value in one.standing.numbers)
    if one.standing.is_undecided:
        why = f"{who} is named by numbers of more than one organisation ({numbers}); name a PractitionerRole."
    elif numbers:
        why = f"no registered organisation is bound to the number of {who} ({numbers}); the operator binds it."
    else:
        why = f"{who} is named by no number that could be bound."
    kept = "The referral is kept and not delivered: " if is_held else "Not told of this case: "
    return Problem(Category.BUSINESS_RULE, f"{kept}{why}", one.path)


def why_not_delivered(derived: Derived) -> str:
    """Why a referral is not delivered, for its Task; empty when it is."""
    if not derived.waits_for:
        return ""
    offices = " and ".join(_WORDS[part] for part in derived.waits_for)
    return f"Not delivered: no registered organisation is bound to {offices} that the referral names."


def _rows(case: Case, one: NamedParty, sender: str) -> list[WaitingParty]:
    numbers = one.standing.numbers or (("", "", ""),)
    return [
        WaitingParty(case.case_number, one.part, one.reference, *number, sender, case.changed_at) for number in numbers
    ]
