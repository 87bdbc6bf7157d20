"""What a notice says: a Bundle that names the subscription and, of each event, only which resource to look at.

https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/notifications.html (R4: Parameters in a history Bundle)
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from service.fhir.build import Resource
from service.fhir.subscription import EMPTY, TOPIC

HANDSHAKE, HEARTBEAT, EVENT = "handshake", "heartbeat", "event-notification"
QUERY_STATUS, QUERY_EVENT = "query-status", "query-event"


@dataclass(frozen=True, slots=True)
class Event:
    """One event: its number in the subscription, its instant, and references to its focus and its CarePlan."""

    number: int
    at: str
    focus: str
    care_plan: str


@dataclass(frozen=True, slots=True)
class Standing:
    """A subscription as a notice tells of it; `content` is id-only or empty, `error` a sentence or empty.

    `topic` is the canonical URL of its topic.
    """

    base_url: str
    subscription_id: str
    status: str
    content: str
    events_so_far: int
    error: str
    topic: str = TOPIC

    @property
    def address(self) -> str:
        """The absolute address of the Subscription."""
        return f"{self.base_url}/Subscription/{self.subscription_id}"


def notification(standing: Standing, kind: str, events: Sequence[Event], now: str) -> Resource:
    """A notice of a kind as the Bundle that is sent, or answered by `$events`."""
    name = str(uuid.uuid4())
    return {
        "resourceType": "Bundle",
        "type": "history",
        "timestamp": now,
        "entry": [
            {
                "fullUrl": f"urn:uuid:{name}",
                "resource": {**status_parameters(standing, kind, events), "id": name},
                "request": {"method": "GET", "url": f"{standing.address}/$status"},
                "response": {"status": "200"},
            }
        ],
    }


def status_parameters(standing: Standing, kind: str, events: Sequence[Event] = ()) -> Resource:
    """The status of a subscription, in the shape of the guide's profile of Parameters.

    https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/StructureDefinition-backport-subscription-status-r4.html
    """
    empty = standing.content == EMPTY
    told: list[Resource] = [
        {"name": "subscription", "valueReference": {"reference": standing.address}},
        *([] if empty else [{"name": "topic", "valueCanonical": standing.topic}]),
        {"name": "status", "valueCode": standing.status},
        {"name": "type", "valueCode": kind},
        {"name": "events-since-subscription-start", "valueString": str(standing.events_so_far)},
    ]
    told += [{"name": "notification-event", "part": _parts(standing, event)} for event in events]
    if standing.error:
        told.append({"name": "error", "valueCodeableConcept": {"text": standing.error}})
    return {"resourceType": "Parameters", "parameter": told}


def _parts(standing: Standing, event: Event) -> list[Resource]:
    """The parts of an event; an empty one names no resource."""
    parts: list[Resource] = [
        {"name": "event-number", "valueString": str(event.number)},
        {"name": "timestamp", "valueInstant": event.at},
    ]
    if standing.content != EMPTY:
        parts.append({"name": "focus", "valueReference": {"reference": f"{standing.base_url}/{event.focus}"}})
        if event.care_plan != event.focus:
            plan = {"reference": f"{standing.base_url}/{event.care_plan}"}
            parts.append({"name": "additional-context", "valueReference": plan})
    return parts
