"""Whether a referral is delivered: both offices that it names are bound, so that they are parties to its case.

A referral of which one is not bound is kept and waits. The dental office does not see it meanwhile, also when it is the
physician's practice that is not bound: nobody begins a treatment that no physician follows.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass

from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.errors import Category, Problem
from service.fhir.json_text import load
from service.intake.parties.admitting import Admitting, Party, offices_of
from service.intake.parties.naming import NamedParty, Resolver, named_in
from service.rows import FULFILLER, LAB, NOBODY, PLACER, Case, WaitingParty

HOLDING = frozenset({PLACER, FULFILLER})
"""The parts without which a referral is not delivered."""
_WORDS = {PLACER: "the physician's practice", FULFILLER: "the dental office", LAB: "the laboratory"}


@dataclass(frozen=True, slots=True)
class Opening:
    """Who sends (`Organization/id`, empty for nobody in particular), and its own parts in the case that it opens,
    whatever the referral names.
    """

    sender: str
    own: frozenset[Party] = frozenset()


def settle(
    admitting: Admitting, case: Case, state: CaseState, named: Sequence[NamedParty], opening: Opening
) -> tuple[set[Party], CaseState]:
    """Make those parties of a case that are bound, and let the others wait; the parties that are new."""
    parts = {one.part for one in named} & HOLDING
    admitting.wait_no_more(parts)
    found = {(one.standing.organisation, one.part) for one in named if one.standing.organisation} | opening.own
    missing = unbound(named, found | admitting.parties())
    admitting.wait(row for one in missing for row in _rows(case, one, opening.sender))
    waits_for = tuple(sorted({row.part for row in admitting.waiting()} & HOLDING))
    asked_of = state.asked_of
    if FULFILLER in parts:
        asked = next(one.standing.organisation for one in named if one.part == FULFILLER)
        goes_on = (asked, FULFILLER) in admitting.parties()
        asked_of = asked if asked and (goes_on or not waits_for) else NOBODY
    new = admitting.admit(p for p in found if p[1] != FULFILLER or not waits_for)
    return new, state.but(waits_for=waits_for, asked_of=asked_of)


def unbound(named: Sequence[NamedParty], known: Set[Party]) -> list[NamedParty]:
    """Those named that no binding leads to an organisation; a practice that is a party already needs none."""
    placed = any(part == PLACER for _, part in known)
    return [one for one in named if not one.standing.organisation and not (one.part == PLACER and placed)]


def deliver(snapshot: Snapshot, admitting: Admitting, case: Case, state: CaseState) -> tuple[set[Party], CaseState]:
    """What waits of a case resolved again by today's bindings; the parties that are new."""
    rows = snapshot.waiting(case.case_number)
    laboratories = {
        (bound, LAB)
        for row in rows
        if row.part == LAB and (bound := snapshot.bound_to((row.kind, row.system, row.value), row.sender))
    }
    if laboratories:
        admitting.wait_no_more([LAB])
    named: list[NamedParty] = []
    sender = next((row.sender for row in rows if row.part in HOLDING), "")
    referral = snapshot.current(case.referral) if any(row.part in HOLDING for row in rows) else None
    if referral is not None:
        named = named_in(load(referral.body), Resolver(snapshot, sender, {}), "")
    new, state = settle(admitting, case, state, named, Opening(sender, frozenset(laboratories)))
    if new:
        offices = state.offices or tuple(offices_of(snapshot, case.case_number))
        state = state.but(offices=offices)
        admitting.let_read_offices({organisation for organisation, _ in new}, offices)
    return new, state


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


def why_not_delivered(state: CaseState) -> str:
    """Why a referral is not delivered, for its Task; empty when it is."""
    if not state.waits_for:
        return ""
    offices = " and ".join(_WORDS[part] for part in state.waits_for)
    return f"Not delivered: no registered organisation is bound to {offices} that the referral names."


def _rows(case: Case, one: NamedParty, sender: str) -> list[WaitingParty]:
    numbers = one.standing.numbers or (("", "", ""),)
    return [
        WaitingParty(case.case_number, one.part, one.reference, *number, sender, case.changed_at) for number in numbers
    ]
