"""Each journey, with what the service answers after every event and what can be read at its end."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from tests.answers.asking import Asker, data_of
from tests.journeys import test_journeys
from tests.journeys.story import BEGIN, Event, Story

STORIES: tuple[Story, ...] = test_journeys.STORIES
_SEARCHED = (
    "Task?code=http://hl7.org/fhir/CodeSystem/task-code|fulfill",
    "GuidanceResponse?_sort=_lastUpdated",
    "Communication?_sort=_lastUpdated",
    "Provenance?_summary=count",
    "Observation?_summary=count",
)


def play(asker: Asker, story: Story) -> None:
    """A story from its referral to its last day, then everything that reads it."""
    number = ""
    case: dict[str, Any] = {}
    for event in (Event(0, "sleep laboratory", "refers the patient", "referrals", story.referral), *story.events):
        asker.on(BEGIN + timedelta(days=event.day))
        if event.body is not None:
            path = f"/intake/{event.path}" if event.path == "referrals" else f"/intake/cases/{number}/{event.path}"
            number = data_of(asker.ask("POST", path, event.body)).get("case_number", number)
        case = data_of(asker.get(f"/cases/{number}"))
    links = case.get("resources", {})
    read(asker, number, links)
    asker.on(BEGIN + timedelta(days=story.events[-1].day + 30))
    asker.get(f"/cases/{number}")
    asker.get("/cases")


def read(asker: Asker, number: str, links: dict[str, str]) -> None:
    """A case by every door that only reads."""
    patient = links.get("patient", "Patient/none")
    asker.get("/cases")
    asker.get("/cases?overdue=true")
    for day in (10, 45):
        asker.get(f"/cases/{number}/readiness?as_of={(BEGIN + timedelta(days=day)).isoformat()}")
    asker.get(f"/cases/{number}/messages")
    asker.get(f"/fhir/CarePlan/{number}")
    asker.get(f"/fhir/CarePlan/{number}/_history?_count=3")
    asker.get(f"/fhir/CarePlan/{number}/$readiness")
    asker.get(f"/fhir/CarePlan/{number}/$letter")
    asker.get(f"/fhir/{links.get('task', 'Task/none')}/_history")
    asker.get(f"/fhir/{patient}/$everything?_count=200")
    for search in _SEARCHED:
        asker.get(f"/fhir/{search}")
    for page in ("/", "/physician", *(f"/cases/{number}/{end}" for end in ("page", "reasons", "letter", "sheet"))):
        asker.get(page, Accept="text/html")
