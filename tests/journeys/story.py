"""A story: what each office sends on which day, and what the service must answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from starlette.testclient import TestClient

from service.client.relay import RelayClient
from tests.conftest import Clock

BEGIN = date(2026, 3, 2)


@dataclass(frozen=True)
class Event:
    """On day `day` of the story, `who` sends `body`; the readiness or stage that must follow, if given."""

    day: int
    who: str
    says: str
    path: str
    body: dict[str, Any] | None
    readiness: str | None = None
    stage: str | None = None
    move: str | None = None


@dataclass
class Story:
    """A titled list of events; `lesson` says what a clinician should see in it."""

    title: str
    lesson: str
    referral: dict[str, Any]
    events: list[Event] = field(default_factory=list)
    region: str = ""


@dataclass
class Line:
    """One line of the page: a day, what was sent, what the service answered."""

    day: date
    who: str
    says: str
    answer: str


@dataclass
class Told:
    """A story as it was played: its lines and the case at the end."""

    lines: list[Line]
    case: dict[str, Any]


def on(day: int) -> str:
    """The ISO date of a day of the story."""
    return (BEGIN + timedelta(days=day)).isoformat()


def tell(story: Story, client: TestClient, clock: Clock, check: Callable[[Event, dict[str, Any]], None]) -> Told:
    """Play a story through the API, day by day; `check` judges the case after each event."""
    lines: list[Line] = []
    number, relay = "", RelayClient(http=client)
    for event in (Event(0, "sleep laboratory", "refers the patient", "referrals", story.referral), *story.events):
        day = BEGIN + timedelta(days=event.day)
        clock.now = datetime.combine(day, time(12), ZoneInfo("UTC"))
        if event.body is not None:
            plain = relay.plain
            is_referral = event.path == "referrals"
            answer = plain.refer(event.body) if is_referral else plain.send(number, event.path, event.body)
            number = answer["case_number"]
        case = relay.plain.case(number)
        check(event, case)
        lines.append(Line(day, event.who, event.says, f"{case['why']} ({case['whose_move']}'s move)"))
    return Told(lines, case)
