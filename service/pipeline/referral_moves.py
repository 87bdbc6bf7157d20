"""Moves of the referral's Task: by message, by FHIR update, and the service's own business status."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from sqlalchemy import Connection

from service.access.grant import Office
from service.errors import Category, Problem, Refused
from service.fhir.build import Resource, ref
from service.fhir.codes import has_code, local
from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.treatment import ApplianceUseFact, AssessmentFact, VisitFact
from service.fhir.facts.words import Undelivered
from service.fhir.json_text import load
from service.fhir.referral_task import ENDED, Guard, Role, Verdict, already_past, cell, refusal
from service.inbound.plain import Move
from service.pipeline.access.delivered import why_not_delivered
from service.pipeline.access.sender import Sender
from service.pipeline.derived import Derived, stored
from service.pipeline.identify import content_of
from service.rules.kinds import Office as OfficeOfCare
from service.rules.kinds import ReferralState
from service.rules.stage import Stage, StageName
from service.store import resources
from service.store.cases import Case
from service.store.resources import Stored

OWN_BUSINESS_STATUS = {StageName.READY_FOR_TEST: "ready-for-retest", StageName.TEST_ORDERED: "retest-ordered"}
"""Set by the service alone. «retest-ordered» is the physician's act all the same: it follows from the order."""
_UNDELIVERED_BY: dict[str, str] = {
    Office.SLEEP_LAB: Undelivered.BY_LABORATORY.value,
    Office.PHYSICIAN: Undelivered.BY_PHYSICIAN.value,
}
"""Of a referral that waits for a binding, by the kind of office that sent it."""


@dataclass(slots=True)
class Situation:
    """A case as a message finds it: `before` are its facts, `known` also counts those of the message."""

    connection: Connection
    case: Case
    derived: Derived
    sender: Sender
    before: Sequence[StoredFact]
    known: Sequence[StoredFact]
    now: str
    today: str

    def held(self, reference: str) -> Stored:
        """The current version of one of the case's own resources."""
        found = resources.current(self.connection, *reference.split("/"))
        assert found is not None, "a case has its referral and its Task"
        return found

    def next(self, held: Stored, body: Resource) -> Stored:
        """The next version of a resource."""
        return stored(content_of(body), held.id, held.version + 1, self.case.case_number, self.now)


@dataclass(slots=True)
class Moved:
    """What a message does to the referral beside its own resources, and sentences on what it did not do."""

    task: Stored | None = None
    others: list[Stored] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


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
    held = at.held(at.case.task)
    body = load(held.body)
    start, end = body["status"], move.state
    if start == end or (implied and start not in ("requested", "received", "accepted")):
        return Moved()
    if end == "accepted" and already_past(start, end) and move.on[:10] < _began(body):
        period = {**body["executionPeriod"], "start": move.on[:10]}
        return Moved(at.next(held, {**body, "executionPeriod": period, "lastModified": at.now}))
    late = role is Role.FULFILLER and (already_past(start, end) or move.on[:10] < at.derived.moved_on)
    if late and not implied:
        return Moved(
            notes=[f"The referral is «{start}» by now; «{end}» of {move.on[:10]} was received and moves nothing."]
        )
    steps = [start, "accepted", end] if implied and start != "accepted" else [start, end]
    for one, other in pairwise(steps):
        problems = check_move(at, body, (one, other), role, move.reason, "state", "reason")
        if problems:
            raise Refused(problems)
    if not implied and role is Role.FULFILLER:
        at.derived.moved_on = move.on[:10]
    return Moved(at.next(held, moved_body(at, body, end, move.on[:10], move.reason)))


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
    owner = at.derived.asked_of or task.get("owner", {}).get("reference")
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
    held = at.held(at.case.referral)
    body = load(held.body)
    return None if body["status"] == "revoked" else at.next(held, {**body, "status": "revoked"})


def completed_referral(at: Situation) -> Stored | None:
    """The referral's ServiceRequest as completed; None when it is so already. Refused before its Task is completed."""
    held = at.held(at.case.referral)
    body = load(held.body)
    if body["status"] == "completed":
        return None
    if load(at.held(at.case.task).body)["status"] != "completed":
        sentence = "The physician's office completes the referral once the dental office has completed its Task."
        raise Refused(Problem(Category.BUSINESS_RULE, sentence))
    return at.next(held, {**body, "status": "completed"})


def with_business_status(
    connection: Connection, case: Case, stage: Stage, derived: Derived, pending: Stored | None, now: str
) -> Stored | None:
    """The Task with the business status of the stage; `pending` is a version already due in this message.

    A business status of the dental office's own stays until the service has one to set.
    """
    wanted = OWN_BUSINESS_STATUS.get(stage.name, "")
    if stage.name is StageName.REFERRED and derived.business_status in tuple(Undelivered):
        wanted = derived.business_status
    if pending is None and wanted == derived.business_status:
        return None
    derived.business_status = wanted
    held = pending or resources.current(connection, *case.task.split("/"))
    assert held is not None, "a case has a Task"
    body = load(held.body)
    was = body.get("businessStatus")
    if own_business_status(body):
        del body["businessStatus"]
    if wanted:
        body["businessStatus"] = local(wanted).concept
    if body.get("businessStatus") == was:
        return pending
    version = held.version if pending else held.version + 1
    return stored(content_of(body), held.id, version, case.case_number, now)


def with_owner(connection: Connection, case: Case, pending: Stored | None, now: str) -> Stored:
    """The Task asked of the dental office that the referral now names; `pending` is a version already due."""
    held = pending or resources.current(connection, *case.task.split("/"))
    assert held is not None, "a case has a Task"
    body = {k: v for k, v in load(held.body).items() if k != "owner"}
    if case.dental_office:
        body["owner"] = ref(case.dental_office)
    version = held.version if pending else held.version + 1
    return stored(content_of(body), held.id, version, case.case_number, now)


def with_delivery(
    connection: Connection, case: Case, derived: Derived, pending: Stored | None, now: str
) -> Stored | None:
    """The Task as delivered or not: while nobody has taken up a referral that waits for a binding, it says so and why.

    `pending` is a version already due in this message.
    """
    if not derived.waits_for and derived.business_status not in tuple(Undelivered):
        return pending
    held = pending or resources.current(connection, *case.task.split("/"))
    assert held is not None, "a case has a Task"
    body = load(held.body)
    waits = bool(derived.waits_for) and body["status"] == "requested"
    wanted = _UNDELIVERED_BY[derived.sent_by or Office.PHYSICIAN] if waits else ""
    why = why_not_delivered(derived) if waits else ""
    if (derived.business_status, body.get("statusReason", {}).get("text", "")) == (wanted, why):
        return pending
    if own_business_status(body) in tuple(Undelivered):
        body = {k: v for k, v in body.items() if k not in ("businessStatus", "statusReason")}
    if waits:
        body |= {"businessStatus": local(wanted).concept, "statusReason": {"text": why}}
    derived.business_status = wanted
    version = held.version if pending else held.version + 1
    return stored(content_of(body), held.id, version, case.case_number, now)


def own_business_status(task: Resource) -> str:
    """The business status of a Task when it is one the service alone sets, else empty."""
    own = (*OWN_BUSINESS_STATUS.values(), *(u.value for u in Undelivered))
    return next((n for n in own if has_code(task.get("businessStatus"), local(n))), "")
