"""The plain doors: messages as they should be, repeated, in conflict, and changed in one thing each."""

from __future__ import annotations

from datetime import date

from tests.answers.asking import Asker, data_of
from tests.answers.changes import changed, example

TODAY = date(2026, 11, 20)
DOORS: dict[str, str] = {
    "referral-state": "dental-office/accept",
    "assessments": "dental-office/assessment",
    "appliances": "dental-office/appliance",
    "progress": "dental-office/progress",
    "visits": "dental-office/visit",
    "red-flag-closures": "physician/red-flag-closure",
    "test-orders": "physician/test-order",
    "sleep-tests": "sleep-lab/efficacy-test",
    "decisions": "physician/decision",
    "completion": "physician/completion",
    "cancellation": "physician/cancellation",
    "cancellation-answer": "dental-office/cancellation-answer",
}
"""Each door of a case with its example, in the order of a case that goes well."""
_RED_FLAG = {"red_flags": [{"entry_id": "f1", "reported_on": "2026-09-24", "kind": "drowsy-driving"}]}
_NOT_JSON = ("", "{", "[]", '"text"', "null", '{"a": 1, "a": 2}', '{"a": NaN}', "\ufeff{}", '{"a": 1} x')


def opened(asker: Asker, name: str = "sleep-lab/referral") -> str:
    """The number of a case made of an example."""
    asker.on(TODAY)
    return data_of(asker.ask("POST", "/intake/referrals", example(name))).get("case_number", "none")


def in_order(asker: Asker) -> None:
    """A case from referral to completion by the examples, each message sent twice and then with other content."""
    number = opened(asker)
    asker.ask("POST", "/intake/referrals", example("sleep-lab/referral"))
    asker.ask("POST", f"/intake/cases/{number}/progress", _RED_FLAG)
    for door, name in DOORS.items():
        path = f"/intake/cases/{number}/{door}"
        for _ in range(2):
            asker.ask("POST", path, example(name))
        for about, body in [*changed(example(name))][:1]:
            asker.about(about).ask("POST", path, body)
        asker.get(f"/cases/{number}")
    for name in ("dental-office/correction", "dental-office/complete"):
        door = "progress" if name.endswith("correction") else "referral-state"
        asker.ask("POST", f"/intake/cases/{number}/{door}", example(name))
    asker.ask("POST", f"/intake/cases/{number}/completion", example("physician/completion"))
    asker.get(f"/cases/{number}")
    asker.get(f"/cases/{number}/messages")


def refused_referrals(asker: Asker) -> None:
    """The referral changed in one thing each; what is taken is the same referral with other content."""
    asker.on(TODAY)
    for about, body in changed(example("sleep-lab/referral")):
        asker.about(about).ask("POST", "/intake/referrals", body)
    asker.get("/cases")


def refused_at(asker: Asker, door: str) -> None:
    """A message of one door changed in one thing each, about a case that has come so far."""
    number = opened(asker)
    for before, name in DOORS.items():
        if before == door:
            break
        asker.ask("POST", f"/intake/cases/{number}/{before}", example(name))
    for about, body in changed(example(DOORS[door])):
        asker.about(about).ask("POST", f"/intake/cases/{number}/{door}", body)
    asker.get(f"/cases/{number}")


def bad_bodies(asker: Asker) -> None:
    """Bodies that are no message, addresses that are none, methods and media types that are not taken."""
    number = opened(asker)
    for door in ("referral-state", "progress"):
        for text in _NOT_JSON:
            asker.ask("POST", f"/intake/cases/{number}/{door}", text)
        asker.ask("POST", f"/intake/cases/{number}/{door}", {**example(DOORS[door]), "unknown_field": 1})
        asker.ask("POST", f"/intake/cases/AR-00000-00000/{door}", example(DOORS[door]))
        asker.ask("POST", f"/intake/cases/nothing/{door}", example(DOORS[door]))
        asker.ask("POST", f"/intake/cases/{number}/{door}", example(DOORS[door]), Content_Type="text/plain")
        for method in ("GET", "PUT", "DELETE", "PATCH"):
            asker.ask(method, f"/intake/cases/{number}/{door}")
    for query in ("whose_move=dentist", "whose_move=nobody", "limit=1", "overdue=true"):
        asker.get(f"/cases?{query}")
    for query in ("whose_move=someone", "limit=0", "limit=x", "overdue=maybe", "after=x", "colour=red"):
        asker.get(f"/cases?{query}")
    for path in ("/cases/AR-00000-00000", "/cases/x", "/nothing", "/intake", "/intake/nothing", "/cases/"):
        asker.get(path)
    for query in ("as_of=2026-08-10", "as_of=2020-01-01", "as_of=2031-01-01", "as_of=soon", "as_of=2026-02-30"):
        asker.get(f"/cases/{number}/readiness?{query}")
    for path in ("/health", "/livez", "/openapi.json", "/style.css", "/sign-in", "/emergency"):
        asker.ask("HEAD" if path == "/openapi.json" else "GET", path)
    for method in ("POST", "POST", "DELETE", "DELETE"):
        asker.ask(method, f"/intake/cases/{number}/check-in-links")
