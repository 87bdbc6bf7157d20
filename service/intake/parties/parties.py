"""The organisations that are parties to a case: those to which the operator's bindings lead from what messages name.

The physician's organisation places the referral, the dental office's fulfils it, a laboratory's tests. An organisation that
became a party stays one: what it did is part of the record. While access control is off nobody is a party.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.access.grant import Office
from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.errors import Category, Problem, Refused
from service.fhir.json_text import load, write_canonical
from service.fhir.read_other import is_referral
from service.intake.identified import Identified
from service.intake.parties.admitting import Admitting, Party, offices_in, offices_of
from service.intake.parties.delivery import Opening, settle, unbound, warning
from service.intake.parties.naming import NamedParty, Resolver, named_in
from service.intake.sender import Sender
from service.rows import LAB, PLACER, Case

_NAMING = {"requester", "performer"}
"""Elements that name parties."""


@dataclass(frozen=True, slots=True)
class FromSender:
    """What a message holds, who sends it, and whether it opens its case."""

    snapshot: Snapshot
    sender: Sender
    items: Sequence[Identified]
    opened: bool


@dataclass(frozen=True, slots=True)
class PartiesFound:
    """What the parties that a message names came to: the state of the case, and warnings about those not bound."""

    state: CaseState
    unbound: tuple[Problem, ...] = ()


def found_in(
    admitting: Admitting,
    resolver: Resolver,
    case: Case,
    state: CaseState,
    message: FromSender,
) -> PartiesFound:
    """Collect the parties that a message adds to its case.

    Refused when the sender names another organisation as itself.
    """
    sender, items, opened = message.sender, message.items, message.opened
    if not sender.is_limited:
        return PartiesFound(state)
    naming = [i for i in items if i.written and i.draft.type in ("ServiceRequest", "DiagnosticReport")]
    named: list[NamedParty] = []
    new = set[Party]()
    if naming or opened:
        of_each = [(item, _newly_named(item, resolver)) for item in naming]
        named = [one for _, found in of_each for one in found]
        own = _own(sender, of_each, opened)
        if opened:
            offices = sender.grant.offices
            state = state.but(sent_by=Office.PHYSICIAN if Office.PHYSICIAN in offices else Office.SLEEP_LAB)
        new, state = settle(admitting, case, state, named, Opening(sender.grant.organisation, frozenset(own)))
    state = _with_offices(message, admitting, case, state, new)
    known = admitting.parties() if named else frozenset[Party]()
    missing = tuple(warning(one, one.part in state.waits_for) for one in unbound(named, known))
    return PartiesFound(state, missing)


def warnings_of(items: Sequence[Identified], found: PartiesFound, refuses: bool) -> dict[str, tuple[Problem, ...]]:
    """What the sender is warned of, by the reference of the resource. Refused instead where the operator wants that."""
    if found.unbound and refuses:
        raise Refused(found.unbound)
    naming = next((i for i in items if i.draft.type in ("ServiceRequest", "DiagnosticReport")), None)
    return {naming.reference: found.unbound} if naming is not None and found.unbound else {}


def _newly_named(item: Identified, resolver: Resolver) -> list[NamedParty]:
    """The parties that a resource names and that its version before did not."""
    before = load(item.before.body) if item.before and not item.before.deleted else {}
    named = named_in(item.resource, resolver, item.draft.path)
    same = {e for e in _NAMING if before and _text(before.get(e)) == _text(item.resource.get(e))}
    return [one for one in named if one.element not in same]


def _text(element: object) -> str:
    return write_canonical({"held": element})


def _own(sender: Sender, named: Sequence[tuple[Identified, list[NamedParty]]], opened: bool) -> set[Party]:
    """The sender as a party to the case it opens. Refused when a party of its own kind is another's organisation."""
    offices, own = sender.grant.offices, sender.grant.organisation
    problems: list[Problem] = []
    placed = False
    for item, found in named:
        if item.draft.type == "DiagnosticReport" and offices == {Office.SLEEP_LAB}:
            others = [one for one in found if one.part == LAB and one.standing.organisation != own]
            sentence = "A laboratory reports its own tests; the laboratory named here is not bound to its organisation."
            problems.extend(Problem(Category.FORBIDDEN, sentence, one.path) for one in others)
        placers = [one for one in found if one.part == PLACER and one.standing.organisation]
        placed = placed or bool(placers)
        if is_referral(item.resource) and offices == {Office.PHYSICIAN}:
            others = [one for one in placers if one.standing.organisation != own]
            sentence = "A physician's office refers for itself; the requester is of another organisation."
            problems.extend(Problem(Category.FORBIDDEN, sentence, one.path) for one in others)
    if problems:
        raise Refused(problems)
    mine: set[Party] = set()
    if opened and Office.SLEEP_LAB in offices:
        mine.add((own, LAB))
    if opened and Office.PHYSICIAN in offices and not placed:
        mine.add((own, PLACER))
    return mine


def _with_offices(
    message: FromSender, admitting: Admitting, case: Case, state: CaseState, new: set[Party]
) -> CaseState:
    """Let the parties of a case read the entries of the directory that its resources refer to."""
    named = {r for i in message.items if i.written for r in offices_in(i.resource)} - set(state.offices)
    if not named and not new:
        return state
    before: Iterable[str] = state.offices
    if new and not before and not message.opened:
        before = offices_of(message.snapshot, case.case_number)
    offices = tuple(sorted({*before, *named}))
    arrived = {organisation for organisation, _ in new}
    there = {organisation for organisation, _ in admitting.parties()} - arrived
    admitting.let_read_offices(arrived, offices)
    admitting.let_read_offices(there, sorted(named))
    return state.but(offices=offices)
