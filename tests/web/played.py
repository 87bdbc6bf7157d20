"""A case played through the plain intake: what each office posts on which day, and what the service then says of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from starlette.testclient import TestClient

from service.fhir.json_text import load, write
from tests.conftest import Clock
from tests.journeys import parts

BEGIN = date(2026, 3, 2)
Post = tuple[int, str, dict[str, Any]]
JSON = {"Content-Type": "application/json"}


def on(day: int) -> str:
    """The ISO date of a day of the course."""
    return (BEGIN + timedelta(days=day)).isoformat()


def move_to(clock: Clock, day: int) -> None:
    clock.now = datetime.combine(BEGIN + timedelta(days=day), time(20), ZoneInfo("UTC"))


class Played:
    """One case on one service: opened by a referral, then whatever is posted to it."""

    def __init__(self, client: TestClient, clock: Clock, **test: Any) -> None:
        self.client, self.clock = client, clock
        move_to(clock, 0)
        reply = client.post(
            "/intake/referrals", content=write(parts.referral("R-1", "Calloway", "Ines", **test)), headers=JSON
        )
        assert reply.status_code == 201, reply.text
        self.number: str = load(reply.text)["case_number"]

    def post(self, day: int, path: str, body: dict[str, Any]) -> Any:
        """The response to a message about the case."""
        move_to(self.clock, day)
        return self.client.post(f"/intake/cases/{self.number}/{path}", content=write(body), headers=JSON)

    def play(self, *posts: Post) -> Played:
        for day, path, body in posts:
            reply = self.post(day, path, body)
            assert reply.status_code in (200, 201), (day, path, reply.text)
        return self

    def case(self, day: int) -> dict[str, Any]:
        """The case as JSON on a day."""
        move_to(self.clock, day)
        reply = self.client.get(f"/cases/{self.number}")
        assert reply.status_code == 200, reply.text
        return load(reply.text)

    def page(self, day: int, name: str = "page") -> str:
        """A page or paper of the case on a day, as text."""
        move_to(self.clock, day)
        reply = self.client.get(f"/cases/{self.number}/{name}", headers={"Accept": "text/html"})
        assert reply.status_code == 200, reply.text
        return reply.text


def fitted(**limits: Any) -> list[Post]:
    """Accepted, examined and delivered on day 26, with the starting setting."""
    return [
        (3, "referral-state", {"state": "accepted", "on": on(3)}),
        (12, "assessments", parts.EXAM),
        (26, "appliances", parts.appliance(26, **limits)),
        (26, "progress", {"settings": [parts.setting("s0", 26, 0)]}),
    ]


def settings(*made: tuple[int, float]) -> list[Post]:
    return [(day, "progress", {"settings": [parts.setting(f"s{day}", day, mm)]}) for day, mm in made]


def check_ins(*days: int, snoring: float = 2, rested: float = 8, worn: int = 7, **more: Any) -> list[Post]:
    """Weekly check-ins, settled unless said otherwise."""
    return [
        (day, "progress", {"check_ins": [parts.check_in(f"c{day}", day, snoring, rested, worn, **more)]})
        for day in days
    ]


def result(day: int, per_hour: float, mm: float | None = 2, number: str = "E-1", **more: Any) -> Post:
    """An efficacy test; `None` in `more` leaves a field untold."""
    body = parts.efficacy(number, day, per_hour, mm or 0, **more)
    if mm is None:
        more |= {"setting_left_mm": None, "setting_right_mm": None}
    body["test"] = {k: v for k, v in (body["test"] | more).items() if v is not None}
    return (day, "sleep-tests", body)


def ready() -> list[Post]:
    """A course that is ready on day 55: 2 mm since day 41, settled check-ins on days 48 and 54."""
    return [*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, 54)]


def acts(case: dict[str, Any]) -> list[str]:
    """The acts that the response suggests, in order."""
    return [s["act"] for s in case["response"]["suggestions"]]


def week(case: dict[str, Any]) -> str:
    """What the patient is told to do this week."""
    return next((a["instruction"] for a in case["activities"] if a["title"] == "This week"), "")


def asked(case: dict[str, Any], party: str) -> list[str]:
    return [q["sentence"] for q in case["questions"] if q["party"] == party]


def all_words(case: dict[str, Any], skip: Sequence[str] = ()) -> str:
    """All that is said of a case, as one text."""
    return write({k: v for k, v in case.items() if k not in skip})
