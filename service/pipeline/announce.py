"""Whose move it is has changed: the notice to that party, written in the transaction that decided so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from service.fhir.json_text import load
from service.fhir.reading import reference_of
from service.fhir.subscription import EMERGENCY_ACCESS, MOVERS
from service.pipeline.access.delivered import NOBODY
from service.pipeline.derived import Derived
from service.rules.case_view import CaseView
from service.rules.decision import Party
from service.rules.facts import CaseFacts
from service.rules.stage import StageName, open_cancellation
from service.store import notices, parties, resources
from service.store.cases import Case
from service.store.ids import new_id


def tell_of_emergency(connection: Connection, case_number: str, focus: str, now: str) -> None:
    """Put a notice in the outbox that a case was opened by emergency access; the focus is its audit entry."""
    nothing = dict.fromkeys(("whose_move", "owner", "organization", "stage", "since"), "")
    notice = notices.Notice(new_id(), case_number, now, **nothing, urgent=False, focus=focus, topic=EMERGENCY_ACCESS)
    notices.add(connection, notice)


@dataclass(frozen=True, slots=True)
class ToldMove:
    """What a party was last told of a case. While titrating, `since` is left out: it moves with every setting.

    `to_cancel` is the Task that asks to cancel the referral, while it waits for an answer; empty otherwise.
    """

    whose_move: str
    stage: str
    urgent: bool
    since: str
    to_cancel: str

    @classmethod
    def of(cls, case: Case, derived: Derived) -> ToldMove:
        """The move a case row stands at."""
        since = "" if case.stage == StageName.TITRATING else case.waiting_since
        return cls(case.whose_move, case.stage, case.urgent, since, derived.to_cancel)


def announce(connection: Connection, case: Case, was: ToldMove, derived: Derived, view: CaseView, now: str) -> None:
    """Put a notice in the outbox when a party that is told has something new to do."""
    request = open_cancellation(view.facts, view.as_of)
    derived.to_cancel = request.source.reference if request else ""
    if ToldMove.of(case, derived) == was or case.whose_move not in MOVERS:
        return
    owner = _owner(connection, case, view.facts)
    notices.add(
        connection,
        notices.Notice(
            id=new_id(),
            case_number=case.case_number,
            made_at=now,
            whose_move=case.whose_move,
            owner=owner,
            organization=_party(connection, case, derived) or _organization(connection, owner),
            stage=case.stage,
            since=case.waiting_since,
            urgent=case.urgent,
            focus=_focus(case, derived),
        ),
    )


def _focus(case: Case, derived: Derived) -> str:
    """What the party acts on: the proposed test, a request to cancel, a new referral's Task, else the CarePlan."""
    if derived.to_cancel and case.whose_move == Party.DENTIST:
        return derived.to_cancel
    if case.stage == StageName.READY_FOR_TEST:
        drafts = [name for name, (_, status) in derived.proposals.items() if status == "draft"]
        if drafts:
            return f"ServiceRequest/{drafts[-1]}"
    return case.task if case.stage == StageName.REFERRED else f"CarePlan/{case.case_number}"


def _owner(connection: Connection, case: Case, facts: CaseFacts) -> str:
    """The party as the case names it; the laboratory is that of the last test it made."""
    if case.whose_move == Party.PHYSICIAN:
        return case.physician or ""
    if case.whose_move == Party.DENTIST:
        return case.dental_office or ""
    for test in sorted(facts.sleep_tests, key=lambda t: (t.day, t.source), reverse=True):
        performers = _body(connection, test.source.reference).get("performer") or [{}]
        laboratory = reference_of(performers[0])
        if laboratory:
            return laboratory
    return ""


def _party(connection: Connection, case: Case, derived: Derived) -> str:
    """The registered organisation whose move it is, where that is one of the two offices; empty for another party."""
    if case.whose_move == Party.DENTIST:
        return "" if derived.asked_of == NOBODY else derived.asked_of
    if case.whose_move == Party.PHYSICIAN:
        placers = sorted(o for o, part in parties.of_case(connection, case.case_number) if part == parties.PLACER)
        return placers[0] if placers else ""
    return ""


def _organization(connection: Connection, owner: str) -> str:
    if owner.startswith("PractitionerRole/"):
        return reference_of(_body(connection, owner).get("organization")) or ""
    return owner if owner.startswith("Organization/") else ""


def _body(connection: Connection, reference: str) -> dict[str, Any]:
    kind, _, resource_id = reference.partition("/")
    held = resources.current(connection, kind, resource_id)
    return load(held.body) if held else {}
