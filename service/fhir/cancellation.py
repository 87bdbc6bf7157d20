"""A request to cancel after work began: a Task of code abort whose focus is the referral's Task.

https://hl7.org/fhir/R4/task.html. The physician's office asks, the dental office accepts or declines; on acceptance
the service cancels the referral in the same transaction and completes the request.
"""

from __future__ import annotations

from service.fhir.build import Resource
from service.fhir.codes import codings_of
from service.fhir.reading import Reading, Small
from service.fhir.referral_task import FULFILLER, PLACER, Role

OPEN = frozenset({"requested", "received"})
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
STATES = ("requested", "received", "accepted", "rejected", "cancelled", "completed", "entered-in-error")


def is_cancellation(resource: Resource) -> bool:
    """Whether a resource asks for the cancellation of a referral."""
    return resource.get("resourceType") == "Task" and any(
        isinstance(c, dict) and c.get("code") == "abort" for c in codings_of(resource.get("code"))
    )


def may_answer(start: str, end: str, role: Role) -> bool:
    """Whether `role` may move a request from `start` to `end`; only the service completes one."""
    holder = _MOVES.get((start, end))
    return holder is not None and role in (holder, Role.UNKNOWN)


def read_cancellation(reading: Reading) -> Small:
    """The fact in a request to cancel: when and why it was asked, and when it was answered."""
    resource = reading.resource
    if resource.get("status") not in STATES:
        reading.wrong("status", f"A request to cancel is one of {', '.join(STATES)}.")
    period, reason = resource.get("executionPeriod"), resource.get("reasonCode")
    return {
        "kind": "cancellation-request",
        "state": resource.get("status"),
        "asked_on": reading.day_in(resource, "authoredOn", ""),
        "answered_on": reading.day_in(period, "end", "executionPeriod") if isinstance(period, dict) else None,
        "reason": str(reason.get("text", "")) if isinstance(reason, dict) else "",
    }


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
