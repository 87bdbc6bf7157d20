"""Moves of the referral's Task: by message, by FHIR update, and the service's own business status."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.access.grant import Office
from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.deciding.task_status import own_business_status
from service.deciding.versions import as_version, content_of
from service.errors import Category, Problem, Refused
from service.fhir.build import Resource, ref
from service.fhir.codes import local
from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.treatment import ApplianceUseFact, AssessmentFact, VisitFact
from service.fhir.facts.words import Undelivered
from service.fhir.json_text import load
from service.fhir.referral_task import ENDED, Guard, Role, Verdict, already_past, cell, refusal
from service.inbound.plain import Move
from service.intake.parties.delivery import why_not_delivered
from service.intake.sender import Sender
from service.rows import Case, Stored
from service.rules.kinds import Office as OfficeOfCare
from service.rules.kinds import ReferralState

_UNDELIVERED_BY: dict[str, str] = {
    Office.SLEEP_LAB: Undelivered.BY_LABORATORY.value,
    Office.PHYSICIAN: Undelivered.BY_PHYSICIAN.value,
}
"""Of a referral that waits for a binding, by the kind of office that sent it."""


@dataclass(frozen=True, slots=True)
class Situation:
    """A case as a message finds it: `before` are its facts, `known` also counts those of the message."""

    snapshot: Snapshot
    case: Case
    state: CaseState
    sender: Sender
    before: Sequence[StoredFact]
    known: Sequence[StoredFact]
    now: str
    today: str
    new_id: Callable[[], str]

    def stored(self, reference: str) -> Stored:
        """The current version of one of the case's own resources."""
        found = self.snapshot.current(reference)
        assert found is not None, "a case has its referral and its Task"
        return found

    def next(self, row: Stored, body: Resource) -> Stored:
        """The next version of a resource."""
        return as_version(content_of(body), row.id, row.version + 1, self.case.case_number, self.now)


@dataclass(frozen=True, slots=True)
class Moved:
    """What a message does to the referral beside its own resources, and sentences on what it did not do.

    `on` is the day of a move of the dental office, empty when it made none.
    """

    task: Stored | None = None
    others: tuple[Stored, ...] = ()
    notes: tuple[str, ...] = ()
    on: str = ""


def new_task(case: Case, now: str) -> Resource:
    """The Task of a new referral, requested of the dental office."""
    built: Resource = {
        "resourceType": "Task",
        "id": case.task.removeprefix("Task/"),
        "status": "requested",
        "intent": "order",
        "code": {
            "coding": [
                {
                    "system": "http://hl7.org/fhir/CodeSystem/task-code",
                    "code": "fulfill",
                    "display": "Fulfill the focal request",
                }
            ]
        },
        "focus": ref(case.referral),
        "for": ref(case.patient),
        "authoredOn": now,
        "lastModified": now,
    }
    if case.physician:
        built["requester"] = ref(case.physician)
    if case.dental_office:
        built["owner"] = ref(case.dental_office)
    return built


def check_open(case: Case, state: ReferralState, problems_at: str = "") -> None:
    """Refused when the referral has ended other than by completion: its record is closed."""
    if state in ENDED and state is not ReferralState.COMPLETED:
        sentence = f"The referral of case {case.case_number} is «{state}»; nothing can be added to it."
        raise Refused(Problem(Category.CONFLICT, sentence, problems_at))


def role_of(move: Move, sender: Sender) -> Role:
    """Whose move a message is. Refused when a sender whose role is known sends the other office's message."""
    if sender.role in (Role.UNKNOWN, move.role):
        return move.role
    sentence = f"This message is the {move.role}'s, and the {sender.role} sent it."
    raise Refused(Problem(Category.BUSINESS_RULE, sentence))


def by_message(at: Situation, move: Move, implied: bool) -> Moved:
    """The Task's next version after a plain message's move. Refused where the table of states refuses it.

    An `implied` move, as by a delivery, accepts the referral, begins the work, and does nothing once work has begun
    or ended. The dental office's move dated before its last one, or to an earlier step, is a late report;
    of a late acceptance the day is kept.
    """
    role = role_of(move, at.sender)
    task = at.stored(at.case.task)
    body = load(task.body)
    start, end = body["status"], move.state
    if start == end or (implied and start not in ("requested", "received", "accepted")):
        return Moved()
    if end == "accepted" and already_past(start, end) and move.on[:10] < _began(body):
        period = {**body["executionPeriod"], "start": move.on[:10]}
        return Moved(at.next(task, {**body, "executionPeriod": period, "lastModified": at.now}))
    late = role is Role.FULFILLER and (already_past(start, end) or move.on[:10] < at.state.moved_on)
    if late and not implied:
        return Moved(
            notes=(f"The referral is «{start}» by now; «{end}» of {move.on[:10]} was received and moves nothing.",)
        )
    steps = [start, "accepted", end] if implied and start != "accepted" else [start, end]
    for one, other in pairwise(steps):
        problems = check_move(at, body, (one, other), role, move.reason, "state", "reason")
        if problems:
            raise Refused(problems)
    on = move.on[:10] if not implied and role is Role.FULFILLER else ""
    return Moved(at.next(task, moved_body(at, body, end, move.on[:10], move.reason)), on=on)


def _began(task: Resource) -> str:
    """The day from which the dental office acts on a referral, as far as it was told; empty before."""
    return task.get("executionPeriod", {}).get("start", "")[:10]


def moved_body(at: Situation, body: Resource, end: str, on: str, reason: str) -> Resource:
    """The Task after a move of a day."""
    acted = body.get("executionPeriod", {})
    period = {**acted, "end": max(acted.get("end", on), on)}
    if end != "received":
        period["start"] = min(acted.get("start", on), on)
    after = {**body, "status": end, "lastModified": at.now, "executionPeriod": period}
    if reason:
        after["statusReason"] = {"text": reason}
    if end == "completed":
        summary = ref(f"CarePlan/{at.case.case_number}")
        after["output"] = [*body.get("output", []), {"type": {"text": "CarePlan summary"}, "valueReference": summary}]
    return after


def check_move(
    at: Situation, task: Resource, move: tuple[str, str], role: Role, reason: str, path: str, reason_path: str
) -> list[Problem]:
    """Every guard of the table that a move breaks; one problem naming from, to and role where the table refuses it.

    That an output is of the same patient, that the request is revoked with it and that a request to cancel was agreed
    to are seen to where those resources are.
    """
    start, end = move
    asked = cell(start, end, role)
    if asked.verdict is Verdict.REFUSED:
        return [Problem(Category.BUSINESS_RULE, refusal(start, end, role), path)]
    problems: list[Problem] = []
    owner = at.state.asked_of or task.get("owner", {}).get("reference")
    if Guard.OWNER in asked.guards and at.sender.organisation not in (None, owner):
        sentence = f"The referral is asked of {owner or 'nobody by name'}; another dental office does not move it."
        problems.append(Problem(Category.BUSINESS_RULE, sentence, path))
    if Guard.WORK in asked.guards and not any(_shows_work(f.fact) for f in at.known):
        sentence = "Work begins with a delivered appliance or a visit at the dental office; neither is on record."
        problems.append(Problem(Category.BUSINESS_RULE, sentence, path))
    if Guard.REASON in asked.guards and not reason:
        sentence = f"A referral that is «{start}» is made «{end}» only with a reason."
        problems.append(Problem(Category.INVALID, sentence, reason_path))
    return problems


def _shows_work(fact: Fact) -> bool:
    """A delivery, a visit at the dental office, or the dentist's examination."""
    return isinstance(fact, ApplianceUseFact | AssessmentFact) or (
        isinstance(fact, VisitFact) and fact.office is OfficeOfCare.DENTIST
    )


def revoked_referral(at: Situation) -> Stored | None:
    """The referral's ServiceRequest as revoked; None when it is so already."""
    referral = at.stored(at.case.referral)
    body = load(referral.body)
    return None if body["status"] == "revoked" else at.next(referral, {**body, "status": "revoked"})


def completed_referral(at: Situation) -> Stored | None:
    """The referral's ServiceRequest as completed; None when it is so already. Refused before its Task is completed."""
    referral = at.stored(at.case.referral)
    body = load(referral.body)
    if body["status"] == "completed":
        return None
    if load(at.stored(at.case.task).body)["status"] != "completed":
        sentence = "The physician's office completes the referral once the dental office has completed its Task."
        raise Refused(Problem(Category.BUSINESS_RULE, sentence))
    return at.next(referral, {**body, "status": "completed"})


def with_owner(at: Situation, case: Case, pending: Stored | None) -> Stored:
    """The Task asked of the dental office that the referral now names; `pending` is a version already due."""
    task = pending or at.stored(case.task)
    body = {k: v for k, v in load(task.body).items() if k != "owner"}
    if case.dental_office:
        body["owner"] = ref(case.dental_office)
    version = task.version if pending else task.version + 1
    return as_version(content_of(body), task.id, version, case.case_number, at.now)


def with_delivery(
    snapshot: Snapshot, case: Case, state: CaseState, pending: Stored | None, now: str
) -> tuple[Stored | None, CaseState]:
    """The Task as delivered or not: while nobody has taken up a referral that waits for a binding, it says so and why.

    `pending` is a version already due in this message.
    """
    if not state.waits_for and state.business_status not in tuple(Undelivered):
        return pending, state
    task = pending or snapshot.current(case.task)
    assert task is not None, "a case has a Task"
    body = load(task.body)
    waits = bool(state.waits_for) and body["status"] == "requested"
    wanted = _UNDELIVERED_BY[state.sent_by or Office.PHYSICIAN] if waits else ""
    why = why_not_delivered(state) if waits else ""
    if (state.business_status, body.get("statusReason", {}).get("text", "")) == (wanted, why):
        return pending, state
    if own_business_status(body) in tuple(Undelivered):
        body = {k: v for k, v in body.items() if k not in ("businessStatus", "statusReason")}
    if waits:
        body |= {"businessStatus": local(wanted).concept, "statusReason": {"text": why}}
    version = task.version if pending else task.version + 1
    row = as_version(content_of(body), task.id, version, case.case_number, now)
    return row, state.but(business_status=wanted)
