"""Cases as JSON: the worklist and its pages, one case, readiness as of a day, messages as received."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from tests.conftest import Clock
from tests.web.messages import Case, assert_plain_words, example, issues, post, referral, row_counts, second_referral


def several(client: TestClient) -> list[Case]:
    """Seven cases, some waiting since the same day."""
    return [
        Case(
            client,
            second_referral(
                referral_number=f"R-{n}",
                referred_on=f"2026-09-0{1 + n // 2}",
                patient__id=f"P-{n}",
                baseline_test__test_number=f"T-{n}",
            ),
        )
        for n in range(7)
    ]


def pages(client: TestClient, **query: Any) -> list[list[dict[str, Any]]]:
    found: list[list[dict[str, Any]]] = []
    after: str | None = ""
    while after is not None:
        told = client.get("/cases", params={**query, **({"after": after} if after else {})}).json()
        found.append(told["cases"])
        after = told["after"]
    return found


def test_the_pages_of_the_worklist_hold_every_case_once_in_order(client: TestClient) -> None:
    cases = several(client)
    found = pages(client, limit=3)
    assert [len(p) for p in found] == [3, 3, 1]
    rows = [row for page in found for row in page]
    assert {r["case_number"] for r in rows} == {c.number for c in cases}
    assert rows == sorted(rows, key=lambda r: (r["since"], r["case_number"]))
    assert pages(client)[0] == rows


def test_a_case_that_moves_between_pages_is_neither_lost_nor_shown_twice(client: TestClient) -> None:
    several(client)
    first = client.get("/cases", params={"limit": 3}).json()
    Case(client, referral(referred_on="2026-08-03"))
    rest = client.get("/cases", params={"limit": 50, "after": first["after"]}).json()
    numbers = [r["case_number"] for r in (*first["cases"], *rest["cases"])]
    assert len(numbers) == len(set(numbers)) == 7


def test_the_worklist_filters_by_whose_move(client: TestClient) -> None:
    ready, new = Case(client).fitted(), Case(client, second_referral())
    ready.sent("progress", example("dental-office/progress"))
    by_party = {p: [r["case_number"] for r in pages(client, whose_move=p)[0]] for p in ("dentist", "physician")}
    assert new.number in by_party["dentist"]
    assert ready.number not in by_party["dentist"]
    (row,) = [r for r in pages(client)[0] if r["case_number"] == ready.number]
    assert ready.number in [r["case_number"] for r in pages(client, whose_move=row["whose_move"])[0]]
    assert row["as_of"] == "2026-11-20"


@pytest.mark.parametrize(
    ("query", "place", "sentence"),
    [
        ("whose_move=nurse", "whose_move", "whose_move is one of physician, dentist, patient, sleep lab, nobody."),
        ("limit=0", "limit", "limit is a whole number from 1 to 200."),
        ("limit=201", "limit", "limit is a whole number from 1 to 200."),
        ("limit=ten", "limit", "limit is a whole number from 1 to 200."),
        ("limit=²", "limit", "limit is a whole number from 1 to 200."),
        ("limit=" + "9" * 5000, "limit", "limit is a whole number from 1 to 200."),
        ("after=x", "after", "after must be the value a page before gave."),
        ("after=MjAyNg==", "after", "after must be the value a page before gave."),
        ("after=ÿ", "after", "after must be the value a page before gave."),
        ("colour=red", "", "The worklist has no filter «colour»."),
    ],
)
def test_a_worklist_query_that_cannot_be_is_422(client: TestClient, query: str, place: str, sentence: str) -> None:
    answer = client.get(f"/cases?{query}")
    assert answer.status_code == 422
    assert issues(answer) == [("invalid", sentence, place)]


def test_one_case_tells_every_reason(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    told = load(client.get(f"/cases/{case.number}").text)
    assert told["readiness"]["criteria"]
    for criterion in told["readiness"]["criteria"]:
        assert criterion["status"] in ("met", "unmet", "unknown")
        assert criterion["sentence"].endswith(".")
    assert told["resources"]["care_plan"] == f"CarePlan/{case.number}"
    for reference in told["resources"].values():
        assert client.get(f"/fhir/{reference}").status_code == 200
    assert "not a diagnosis" in told["caution"]


def test_an_unknown_case_is_404(client: TestClient) -> None:
    for part in ("", "/readiness", "/messages"):
        answer = client.get(f"/cases/AR-00000-00000{part}")
        assert answer.status_code == 404
        assert_plain_words(answer)


def test_readiness_as_of_a_day_uses_what_was_known_that_day(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    before = row_counts(sqlite_pipeline)
    outcomes = {
        day: load(client.get(f"/cases/{case.number}/readiness?as_of={day}").text)["readiness"]["outcome"]
        for day in ("2026-08-25", "2026-09-20", "2026-10-01")
    }
    assert outcomes["2026-10-01"] == "ready"
    assert outcomes["2026-09-20"] != "ready"
    assert row_counts(sqlite_pipeline) == before
    for day in ("x", "2026-02-30", "20261001", "9999-12-31"):
        answer = client.get(f"/cases/{case.number}/readiness?as_of={day}")
        assert answer.status_code == 422
        assert issues(answer)[0][2] == "as_of"


def test_a_day_passes_and_the_case_is_decided_anew(client: TestClient, clock: Clock) -> None:
    case = Case(client)
    clock.move(days=3)
    told = client.get(f"/cases/{case.number}").json()
    assert told["as_of"] == "2026-11-23"
    assert "As of 23 Nov 2026" in client.get(f"/fhir/CarePlan/{case.number}").json()["description"]


def test_messages_come_back_exactly_as_received(client: TestClient) -> None:
    text = write(referral()).replace(",", " ,\n ")
    answer = post(client, "/intake/referrals", text)
    number = answer.json()["case_number"]
    post(client, f"/intake/cases/{number}/referral-state", example("dental-office/accept"))
    kept = client.get(f"/cases/{number}/messages").json()["messages"]
    assert [m["channel"] for m in kept] == ["intake referrals", "intake referral-state"]
    assert kept[0]["text"] == text
    assert kept[0]["id"] == answer.headers["x-request-id"]
