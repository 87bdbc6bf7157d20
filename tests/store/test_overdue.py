"""The worklist knows who is overdue, from a day stored with the decision; a first-release database gets the column."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.json_text import load
from service.pipeline import Pipeline
from service.settings import Settings
from tests.conftest import Clock
from tests.store.messages import Post, accepted, opened_case, referral, settled_course, take
from tests.store.whole import check_whole, rows_of


@pytest.fixture
def web(pipeline: Pipeline) -> TestClient:
    return TestClient(build_app(Settings(), pipeline))


def _row(database_url: str, number: str) -> dict[str, str]:
    return next(c for c in rows_of(database_url)["case_row"] if c["case_number"] == number)


_VISITS = [
    Post("visits", {"entry_id": f"v-{office}", "visited_on": "2026-11-17", "office": office})
    for office in ("dentist", "physician")
]
"""Kept, so that no visit is overdue beside the test."""


def test_a_case_becomes_overdue_without_a_write(pipeline: Pipeline, web: TestClient, clock: Clock, database_url: str):
    number = opened_case(pipeline, [*settled_course(), *_VISITS])
    assert _row(database_url, number)["overdue_from"] == "2026-12-04"
    listed = load(web.get("/cases").text)["cases"]
    assert [c["overdue_since"] for c in listed] == [None]
    assert load(web.get("/cases?overdue=true").text)["cases"] == []
    before = rows_of(database_url)
    of_case = ("case_row", "fact", "notice", "message")  # each read is told to the audit, and to nothing else
    clock.move(days=13)
    assert load(web.get("/cases?overdue=true").text)["cases"] == []
    clock.move(days=1)
    assert [c["overdue_since"] for c in load(web.get("/cases?overdue=true").text)["cases"]] == ["2026-12-04"]
    after = rows_of(database_url)
    assert {name: after[name] for name in of_case} == {name: before[name] for name in of_case}
    check_whole(before)


def test_a_move_made_is_no_longer_overdue(pipeline: Pipeline, web: TestClient, database_url: str):
    number = opened_case(pipeline)
    late = load(web.get("/cases?overdue=true").text)["cases"]
    assert [(c["case_number"], c["whose_move"], c["overdue_since"]) for c in late] == [
        (number, "dentist", "2026-08-17")
    ]
    take(pipeline, accepted("2026-11-19"), number)
    assert load(web.get("/cases?overdue=true").text)["cases"] == []
    assert load(web.get(f"/cases/{number}").text)["overdue_from"] == "2027-01-18"


def test_pages_of_overdue_cases_hold_each_once_and_the_longest_overdue_first(pipeline: Pipeline, web: TestClient):
    days = ("2026-08-09", "2026-08-03", "2026-08-06", "2026-08-03", "2026-08-12")
    for index, on in enumerate(days):
        take(pipeline, Post("referrals", {**referral(f"R-{index}"), "referred_on": on}))
    seen: list[tuple[str, str]] = []
    after = ""
    while True:
        page = load(web.get(f"/cases?overdue=true&whose_move=dentist&limit=2{after}").text)
        seen += [(c["overdue_since"], c["case_number"]) for c in page["cases"]]
        if not page["after"]:
            break
        after = f"&after={page['after']}"
    assert seen == sorted(seen)
    assert len(set(seen)) == len(seen) == len(days)
    assert {on for on, _ in seen} == {(date.fromisoformat(d) + timedelta(days=14)).isoformat() for d in days}
    assert load(web.get("/cases?overdue=true&whose_move=physician").text)["cases"] == []


def test_a_filter_that_is_neither_true_nor_false_is_refused(web: TestClient):
    assert web.get("/cases?overdue=perhaps").status_code == 422
