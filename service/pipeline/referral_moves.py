"""Moves of the referral's Task: by message, by FHIR update, and the service's own business status."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused
from service.fhir.build import Resource, ref
from service.fhir.codes import local
from service.fhir.json_text import load
from service.fhir.read_other import is_referral_task
from service.fhir.referral_task import ENDED, FULFILLER, NEEDS_REASON, PLACER, already_past, may_move, refusal
from service.inbound.plain import Move
from service.pipeline.derived import Derived, stored
from service.pipeline.identify import Identified, content_of
from service.rules.facts import ReferralState
from service.rules.stage import Stage, StageName
from service.store import resources
from service.store.cases import Case
from service.store.resources import Stored

_BUSINESS_STATUS = {StageName.READY_FOR_TEST: "ready-for-retest", StageName.TEST_ORDERED: "retest-ordered"}
_BEFORE_WORK = (ReferralState.REQUESTED, ReferralState.RECEIVED, ReferralState.ACCEPTED)


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


def moved_task(
    connection: Connection, case: Case, move: Move, derived: Derived, implied: bool, now: str
) -> Stored | None:
    """The Task's next version after a move; None when it stays as it is. Refused when the move is not allowed.

    An `implied` move, as by a delivery, begins the work and does nothing once it has begun or ended. A move
    dated before the last one is a late repeat and does nothing.
    """
    held = _task(connection, case)
    body = load(held.body)
    start, end = ReferralState(body["status"]), ReferralState(move.state)
    if start is end or (implied and start not in _BEFORE_WORK) or (move.role == FULFILLER and already_past(start, end)):
        return None
    if not implied:
        if move.on[:10] < derived.moved_on:
            return None
        derived.moved_on = move.on[:10]
    by_way_of = _delivery_implies_acceptance(start, end)
    if not by_way_of and not may_move(start, end, move.role):
        raise Refused(Problem(Category.BUSINESS_RULE, refusal(start, end, move.role), "state"))
    if end in NEEDS_REASON and not move.reason:
        raise Refused(Problem(Category.INVALID, f"A referral is made «{end}» only with a reason.", "reason"))
    body["status"] = end.value
    body["lastModified"] = now
    acted, on = body.get("executionPeriod", {}), move.on[:10]
    body["executionPeriod"] = {"start": min(acted.get("start", on), on), "end": max(acted.get("end", on), on)}
    if move.reason:
        body["statusReason"] = {"text": move.reason}
    if end is ReferralState.COMPLETED:
        body["output"] = [{"type": {"text": "CarePlan summary"}, "valueReference": ref(f"CarePlan/{case.case_number}")}]
    return stored(content_of(body), held.id, held.version + 1, case.case_number, now)


def _delivery_implies_acceptance(start: ReferralState, end: ReferralState) -> bool:
    """Work that has begun was accepted, even when the acceptance itself arrives late or never."""
    return end is ReferralState.IN_PROGRESS and start in (ReferralState.REQUESTED, ReferralState.RECEIVED)


def check_task_updates(items: Sequence[Identified]) -> None:
    """Refused when a FHIR update moves a referral Task where nobody may move it."""
    for item in items:
        if item.what != "updated" or item.held is None or not is_referral_task(item.resource):
            continue
        start = ReferralState(load(item.held.body)["status"])
        end = ReferralState(item.resource["status"])
        if not any(may_move(start, end, role) for role in (FULFILLER, PLACER)):
            path = f"{item.draft.path}.status"
            raise Refused(Problem(Category.BUSINESS_RULE, refusal(start, end, "client"), path))
        if end in NEEDS_REASON and "statusReason" not in item.resource:
            sentence = f"A referral is made «{end}» only with a statusReason."
            raise Refused(Problem(Category.INVALID, sentence, f"{item.draft.path}.statusReason"))


def revoked_referral(connection: Connection, case: Case, now: str) -> Stored:
    """The referral's ServiceRequest as revoked, for a cancellation."""
    kind, resource_id = case.referral.split("/")
    held = resources.current(connection, kind, resource_id)
    assert held is not None
    body = {**load(held.body), "status": "revoked"}
    return stored(content_of(body), resource_id, held.version + 1, case.case_number, now)


def with_business_status(
    connection: Connection, case: Case, stage: Stage, derived: Derived, pending: Stored | None, now: str
) -> Stored | None:
    """The Task with the business status of the stage; `pending` is a version already due in this message."""
    wanted = _BUSINESS_STATUS.get(stage.name, "")
    if pending is None and wanted == derived.business_status:
        return None
    derived.business_status = wanted
    held = pending or _task(connection, case)
    body = load(held.body)
    was = body.pop("businessStatus", None)
    if wanted:
        body["businessStatus"] = local(wanted).concept
    if body.get("businessStatus") == was:
        return pending
    version = held.version if pending else held.version + 1
    return stored(content_of(body), held.id, version, case.case_number, now)


def _task(connection: Connection, case: Case) -> Stored:
    kind, resource_id = case.task.split("/")
    held = resources.current(connection, kind, resource_id)
    assert held is not None, "a case has a Task"
    return held
