"""The organisations that are parties to a case: those to which the operator's bindings lead from what messages name.

The physician's organisation places the referral, the dental office's fulfils it, a laboratory's tests. An organisation that
became a party stays one: what it did is part of the record. While access control is off nobody is a party.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from service.access.grant import Office
from service.errors import Category, Problem, Refused
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.dates import instant
from service.fhir.json_text import load, write_canonical
from service.fhir.read_other import is_referral
from service.pipeline.access.admitting import Party, admit, offices_in, offices_of, tell_of_offices
from service.pipeline.access.delivered import settle, unbound, warning
from service.pipeline.access.naming import NamedParty, Resolver, named_in
from service.pipeline.access.sender import Sender
from service.pipeline.commitments import Admitted
from service.pipeline.derived import Derived, stored
from service.pipeline.identify import Identified
from service.store import cases, directory, parties, resources
from service.store.cases import Case
from service.store.directory import WaitingParty
from service.store.ids import new_id
from service.store.parties import LAB, PLACER

NONE_NAMED = ("-", "none")
"""Stands for the parties of a case whose resources name none, so that it is not looked at again. Nobody's organisation."""
_BATCH = 100
_NAMING = {"requester", "performer"}
"""Elements that name parties."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What putting parties on record came to: warnings about those that are not bound, and who sees more."""

    unbound: tuple[Problem, ...] = ()
    admitted: Admitted = Admitted()


def record(
    connection: Connection, case: Case, derived: Derived, items: Sequence[Identified], sender: Sender, opened: bool
) -> Recorded:
    """Put the parties that a message adds to its case on record.

    Refused when the sender names another organisation as itself.
    """
    if not sender.is_limited:
        return Recorded()
    telling = [i for i in items if i.written and i.draft.type in ("ServiceRequest", "DiagnosticReport")]
    named: list[NamedParty] = []
    new, admitted = set[Party](), Admitted()
    if telling or opened:
        here = {i.reference: i.resource for i in items if i.written}
        resolver = Resolver(connection, sender.grant.organisation, here)
        of_each = [(item, _newly_named(item, resolver)) for item in telling]
        named = [one for _, found in of_each for one in found]
        own = _own(sender, of_each, opened)
        if opened:
            offices = sender.grant.offices
            derived.sent_by = Office.PHYSICIAN if Office.PHYSICIAN in offices else Office.SLEEP_LAB
        new, admitted = settle(connection, case, derived, named, own, sender.grant.organisation)
    admitted += _tell_of_offices(connection, case, derived, items, new)
    known = parties.of_case(connection, case.case_number) if named else set[Party]()
    missing = tuple(warning(one, one.part in derived.waits_for) for one in unbound(named, known))
    return Recorded(missing, admitted)


def say_unbound(items: Sequence[Identified], recorded: Recorded, refuses: bool) -> None:
    """Tell the sender of the parties that are not bound. Refused instead where the operator wants that."""
    if recorded.unbound and refuses:
        raise Refused(recorded.unbound)
    naming = next((i for i in items if i.draft.type in ("ServiceRequest", "DiagnosticReport")), None)
    if naming is not None:
        naming.draft.warnings = (*naming.draft.warnings, *recorded.unbound)


def _newly_named(item: Identified, resolver: Resolver) -> list[NamedParty]:
    """The parties that a resource names and that its version before did not."""
    before = load(item.held.body) if item.held and not item.held.deleted else {}
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


def _tell_of_offices(
    connection: Connection, case: Case, derived: Derived, items: Sequence[Identified], new: set[Party]
) -> Admitted:
    """Let the parties of a case read the entries of the directory that its resources refer to; what is new of it."""
    named = {r for i in items if i.written for r in offices_in(i.resource)} - set(derived.offices)
    admitted = Admitted()
    if not named and not new:
        return admitted
    before = derived.offices or offices_of(connection, case.case_number) if new else derived.offices
    derived.offices = sorted({*before, *named})
    arrived = {organisation for organisation, _ in new}
    there = {organisation for organisation, _ in parties.of_case(connection, case.case_number)} - arrived
    admitted += tell_of_offices(connection, arrived, derived.offices)
    return admitted + tell_of_offices(connection, there, sorted(named))


def fill_some(connection: Connection) -> int:
    """Put the parties of some cases that have none on record, as far as they are bound; how many cases there were."""
    numbers = parties.without(connection, _BATCH)
    for number in numbers:
        case = cases.get(connection, number)
        assert case is not None, "its number was just read"
        rows = [r for r in resources.sent_of_case(connection, number) if not r.deleted]
        resolver = Resolver(connection, "", {})
        telling = [load(r.body) for r in rows if r.type in ("ServiceRequest", "DiagnosticReport")]
        named = [one for body in telling for one in named_in(body, resolver, "")]
        found = {(one.standing.organisation, one.part) for one in named if one.standing.organisation}
        new, admitted = admit(connection, case, found or {NONE_NAMED})
        admitted += tell_of_offices(connection, {o for o, _ in new} - {NONE_NAMED[0]}, offices_of(connection, number))
        _tell_audit(connection, case, admitted)
        _let_wait(connection, case, unbound(named, found))
    return len(numbers)


def _tell_audit(connection: Connection, case: Case, admitted: Admitted) -> None:
    now = instant(datetime.now(UTC))
    commits = Commitment(case.case_number, parties=admitted.parties, sees=admitted.sees)
    done = Interaction("operation", new_id(), "parties put on record", (), (case.patient,), commits=commits)
    resources.append_versions(connection, [stored(audit_event(done, Asker(), now), new_id(), 1, case.case_number, now)])


def _let_wait(connection: Connection, case: Case, missing: Iterable[NamedParty]) -> None:
    rows = {
        WaitingParty(case.case_number, one.part, one.reference, *number, "", case.changed_at)
        for one in missing
        for number in one.standing.numbers
    }
    directory.wait(connection, list(rows))
