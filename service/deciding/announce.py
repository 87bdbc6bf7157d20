"""Whose move it is has changed: the notice to that party, written in the transaction that decided so."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from service.deciding.state import CaseState
from service.fhir.json_text import load
from service.fhir.reading import reference_of
from service.fhir.subscription import EMERGENCY_ACCESS, MOVERS
from service.rows import NOBODY, PLACER, Case, Notice, Stored
from service.rules.case_view import CaseView
from service.rules.decision import Party
from service.rules.facts import CaseFacts
from service.rules.stage import StageName, open_cancellation


def notice_of_emergency(case_number: str, focus: str, now: str, notice_id: str) -> Notice:
    """The notice that a case was opened by emergency access; the focus is its audit entry."""
    nothing = dict.fromkeys(("whose_move", "owner", "organization", "stage", "since"), "")
    return Notice(notice_id, case_number, now, **nothing, urgent=False, focus=focus, topic=EMERGENCY_ACCESS)


@dataclass(frozen=True, slots=True)
class LastMove:
    """The move of a case of which a party was last notified. While titrating, `since` is left out: it moves with every setting.

    `open_cancellation` is the Task that asks to cancel the referral while it waits for an answer; empty otherwise.
    """

    whose_move: str
    stage: str
    urgent: bool
    since: str
    open_cancellation: str

    @classmethod
    def of(cls, case: Case, state: CaseState) -> LastMove:
        """The move a case row gives."""
        since = "" if case.stage == StageName.TITRATING else case.waiting_since
        return cls(case.whose_move, case.stage, case.urgent, since, state.open_cancellation)


@dataclass(frozen=True, slots=True)
class AroundCase:
    """What else a notice depends on: the parties of the case as they now are, and current versions by address."""

    parties: Callable[[], Iterable[tuple[str, str]]]
    stored: Callable[[str], Stored | None]

    def body(self, reference: str) -> dict[str, Any]:
        """A resource by its address; empty when it is not here."""
        row = self.stored(reference)
        return load(row.body) if row and not row.deleted else {}


def notice(case: Case, was: LastMove, state: CaseState, facts: CaseFacts, around: AroundCase) -> Notice | None:
    """The notice to a party that has something new to do, without its id; None when none has."""
    if LastMove.of(case, state) == was or case.whose_move not in MOVERS:
        return None
    owner = _owner(around, case, facts)
    return Notice(
        id="",
        case_number=case.case_number,
        made_at=case.changed_at,
        whose_move=case.whose_move,
        owner=owner,
        organization=_party(around, case, state) or _organization(around, owner),
        stage=case.stage,
        since=case.waiting_since,
        urgent=case.urgent,
        focus=_focus(case, state),
    )


def with_cancellation(state: CaseState, view: CaseView) -> CaseState:
    """With the request to cancel that waits for an answer."""
    request = open_cancellation(view.facts, view.as_of)
    return state.but(open_cancellation=request.source.reference if request else "")


def _focus(case: Case, state: CaseState) -> str:
    """What the party acts on: the proposed test, a request to cancel, a new referral's Task, else the CarePlan."""
    if state.open_cancellation and case.whose_move == Party.DENTIST:
        return state.open_cancellation
    if case.stage == StageName.READY_FOR_TEST:
        drafts = [name for name, (_, status) in state.proposals.items() if status == "draft"]
        if drafts:
            return f"ServiceRequest/{drafts[-1]}"
    return case.task if case.stage == StageName.REFERRED else f"CarePlan/{case.case_number}"


def _owner(around: AroundCase, case: Case, facts: CaseFacts) -> str:
    """The party as the case names it; the laboratory is that of the last test it made."""
    if case.whose_move == Party.PHYSICIAN:
        return case.physician or ""
    if case.whose_move == Party.DENTIST:
        return case.dental_office or ""
    for test in sorted(facts.sleep_tests, key=lambda t: (t.day, t.source), reverse=True):
        performers = around.body(test.source.reference).get("performer") or [{}]
        laboratory = reference_of(performers[0])
        if laboratory:
            return laboratory
    return ""


def _party(around: AroundCase, case: Case, state: CaseState) -> str:
    """The registered organisation whose move it is, where that is one of the two offices; empty for another party."""
    if case.whose_move == Party.DENTIST:
        return "" if state.asked_of == NOBODY else state.asked_of
    if case.whose_move == Party.PHYSICIAN:
        return min((organisation for organisation, part in around.parties() if part == PLACER), default="")
    return ""


def _organization(around: AroundCase, owner: str) -> str:
    if owner.startswith("PractitionerRole/"):
        return reference_of(around.body(owner).get("organization")) or ""
    return owner if owner.startswith("Organization/") else ""
