"""A request to cancel after work began: a Task of code abort whose focus is the referral's Task.

https://hl7.org/fhir/R4/task.html. The physician's office asks, the dental office accepts or declines; on acceptance
the service cancels the referral in the same transaction and completes the request.
"""

from __future__ import annotations

from service.fhir.build import Resource
from service.fhir.codes import codings_of
from service.fhir.facts.fact import Unread
from service.fhir.facts.referral import CancellationFact
from service.fhir.facts.words import CancellationState, FactKind
from service.fhir.json_parts import object_in
from service.fhir.reading import Reading, word_of
from service.fhir.referral_task import FULFILLER, PLACER, Role

OPEN = frozenset({CancellationState.REQUESTED, CancellationState.RECEIVED})
_MOVES: dict[tuple[str, str], Role] = {
    ("requested", "received"): FULFILLER,
    ("requested", "accepted"): FULFILLER,
    ("received", "accepted"): FULFILLER,
    ("requested", "rejected"): FULFILLER,
    ("received", "rejected"): FULFILLER,
    ("requested", "cancelled"): PLACER,
    ("received", "cancelled"): PLACER,
    ("requested", "entered-in-error"): PLACER,
    ("received", "entered-in-error"): PLACER,
}


def is_cancellation(resource: Resource) -> bool:
    """Whether a resource asks for the cancellation of a referral."""
    return resource.get("resourceType") == "Task" and any(
        c.get("code") == "abort" for c in codings_of(resource.get("code"))
    )


def may_answer(start: str, end: str, role: Role) -> bool:
    """Whether `role` may move a request from `start` to `end`; only the service completes one."""
    holder = _MOVES.get((start, end))
    return holder is not None and role in (holder, Role.UNKNOWN)


def read_cancellation(reading: Reading) -> CancellationFact | Unread:
    """The fact in a request to cancel: when and why it was made, and when it was answered."""
    resource = reading.resource
    state = word_of(CancellationState, resource.get("status"))
    if state is None:
        reading.wrong("status", f"A request to cancel is one of {', '.join(s.value for s in CancellationState)}.")
    period = object_in(resource.get("executionPeriod")) or {}
    made = reading.moment("authoredOn")
    answered_on = reading.day_in(period, "end", "executionPeriod")
    if state is None or made is None:
        return Unread(FactKind.CANCELLATION, days=tuple(day for day in (made and made.day, answered_on) if day))
    reason = object_in(resource.get("reasonCode")) or {}
    return CancellationFact(state=state, asked_on=made.day, answered_on=answered_on, reason=str(reason.get("text", "")))


def new_cancellation(task: str, patient: str, parties: tuple[str | None, str | None], on: str, reason: str) -> Resource:
    """A request by the first of `parties`, put to the second, to cancel the referral of `task`."""
    asks, answers = parties
    built: Resource = {
        "resourceType": "Task",
        "status": "requested",
        "intent": "order",
        "code": {
            "coding": [
                {
                    "system": "http://hl7.org/fhir/CodeSystem/task-code",
                    "code": "abort",
                    "display": "Mark the focal resource as no longer active",
                }
            ]
        },
        "focus": {"reference": task},
        "for": {"reference": patient},
        "authoredOn": on,
        "reasonCode": {"text": reason},
    }
    if asks:
        built["requester"] = {"reference": asks}
    if answers:
        built["owner"] = {"reference": answers}
    return built


def answered(request: Resource, status: str, on: str, reason: str) -> Resource:
    """A request with its answer; dated, so that a decision as of a past day knows what was open that day."""
    period = {**request.get("executionPeriod", {}), "end": on}
    period["start"] = min(period.get("start", on), on)
    body = {**request, "status": status, "executionPeriod": period}
    if reason:
        body["statusReason"] = {"text": reason}
    return body
