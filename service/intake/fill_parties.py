"""The parties of a case of an earlier release, which has none on record: as far as today's bindings lead. Pure."""

from __future__ import annotations

from service.deciding.commitments import Admitted
from service.deciding.house import Occasion
from service.deciding.snapshot import Snapshot
from service.deciding.versions import as_version
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.intake.change import Change
from service.intake.parties.admitting import Admitting, offices_of
from service.intake.parties.delivery import unbound
from service.intake.parties.naming import NamedParty, Resolver, named_in
from service.rows import Case, Stored, WaitingParty

NONE_NAMED = ("-", "none")
"""Stands for the parties of a case whose resources name none, so that it is not looked at again. Nobody's organisation."""


def plan_filling(snapshot: Snapshot, case_number: str, occasion: Occasion) -> Change:
    """The parties that the resources of a case name, and what waits of them."""
    case = snapshot.case(case_number)
    assert case is not None, "its number was just read"
    admitting = Admitting(snapshot, case)
    named = _named(snapshot, case_number)
    found = {(one.standing.organisation, one.part) for one in named if one.standing.organisation}
    new = admitting.admit(found or {NONE_NAMED})
    arrived = {organisation for organisation, _ in new} - {NONE_NAMED[0]}
    admitting.let_read_offices(arrived, offices_of(snapshot, case_number))
    admitting.wait(
        WaitingParty(case_number, one.part, one.reference, *number, "", case.changed_at)
        for one in unbound(named, found)
        for number in one.standing.numbers
    )
    admission = admitting.result()
    return Change((_entry(case, admission.admitted, occasion),), admission=admission)


def _named(snapshot: Snapshot, case_number: str) -> list[NamedParty]:
    resolver = Resolver(snapshot, "", {})
    sent = [row for row in snapshot.sent(case_number) if not row.deleted]
    naming = [load(row.body) for row in sent if row.type in ("ServiceRequest", "DiagnosticReport")]
    return [one for body in naming for one in named_in(body, resolver, "")]


def _entry(case: Case, admitted: Admitted, occasion: Occasion) -> Stored:
    now, new_id = instant(occasion.moment), occasion.ids(case.case_number)
    commits = Commitment(case.case_number, parties=admitted.parties, sees=admitted.sees)
    done = Interaction("operation", new_id(), "parties put on record", (), (case.patient,), commits=commits)
    return as_version(audit_event(done, Asker(), now), new_id(), 1, case.case_number, now)
