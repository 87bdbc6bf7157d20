"""What a resource tells of days that have not come: facts are of the past, plans are not."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from service.fhir.build import Resource
from service.fhir.dates import is_future
from service.fhir.reading import Small

_EFFECTIVE = {
    "Observation": "effectiveDateTime",
    "DiagnosticReport": "effectiveDateTime",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "authoredOn",
}
_OTHER_DAYS = ("visited_on", "onset", "ended_on", "resolved_on", "delivered_on", "asked_on", "answered_on")


def told_of_the_future(resource: Resource, small: Small | None, today: date, now: datetime) -> str:
    """The first day or time in the future that a resource tells as a fact; empty when there is none."""
    element = _EFFECTIVE.get(resource["resourceType"])
    texts: list[Any] = [resource.get(element)] if element else []
    texts += [small.get(key) for key in _OTHER_DAYS] if small else []
    for text in texts:
        try:
            if text and is_future(str(text), today, now):
                return str(text)
        except ValueError:
            continue
    return ""


def lies_in_the_future(text: str, today: date) -> str:
    """Why a fact of that day or time is refused."""
    return f"{text} lies in the future (today is {today.isoformat()})."
