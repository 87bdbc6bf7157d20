"""The board: filters as plain addresses, search by case number, pages that hold every case once."""

from __future__ import annotations

import re
from html import unescape

import pytest
from starlette.testclient import TestClient

from service.web.pages import board
from tests.conftest import Clock
from tests.web.messages import Case, example, second_referral


def _numbers(page: str) -> list[str]:
    return re.findall(r'<h3><a href="/cases/([^/]+)/page">', page)


def _many(client: TestClient, amount: int) -> list[str]:
    return [
        Case(client, second_referral(referral_number=f"R-{n}", baseline_test__test_number=f"T-{n}")).number
        for n in range(amount)
    ]


def test_the_pages_of_the_board_hold_every_case_once(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board, "_PAGE", 2)
    made = _many(client, 5)
    seen: list[str] = []
    address = "/?whose_move=dentist"
    pages = 0
    while address:
        page = client.get(address).text
        seen += _numbers(page)
        pages += 1
        found = re.search(r'<a href="([^"]+)" rel="next">', page)
        address = unescape(found[1]) if found else ""
    assert pages == 3
    assert sorted(seen) == sorted(made)
    assert 'href="/?whose_move=dentist&amp;">First page' in page


def test_filters_are_kept_in_the_form_and_choose_cases(client: TestClient) -> None:
    fitted = Case(client).fitted()
    waiting = Case(client, second_referral())
    flag = {"entry_id": "f", "reported_on": "2026-11-18", "kind": "drowsy-driving"}
    fitted.sent("progress", {"red_flags": [flag]})
    for query, expected in (
        ("", [fitted.number, waiting.number]),
        ("whose_move=physician", [fitted.number]),
        ("whose_move=dentist", [waiting.number]),
        ("stage=under-review", [fitted.number]),
        ("stage=referred&whose_move=physician", []),
        ("only=urgent", [fitted.number]),
    ):
        page = client.get(f"/?{query}").text
        assert sorted(_numbers(page)) == sorted(expected), query
        for pair in filter(None, query.split("&")):
            assert f'<option value="{pair.split("=")[1]}" selected>' in page
    assert "No case is like that." in client.get("/?stage=referred&whose_move=physician").text


def test_urgent_cases_come_first_and_once(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    waiting = _many(client, 2)
    urgent = Case(client, second_referral(referral_number="R-U", baseline_test__test_number="T-U")).fitted()
    flag = {"entry_id": "f", "reported_on": "2026-11-18", "kind": "drowsy-driving"}
    urgent.sent("progress", {"red_flags": [flag]})
    page = client.get("/").text
    assert _numbers(page) == [urgent.number, *sorted(waiting)]
    assert page.index("Urgent</h2>") < page.index(urgent.number) < page.index("Waiting</h2>")
    monkeypatch.setattr(board, "_MOST_URGENT", 1)
    assert 'href="/?only=urgent">All urgent cases' in client.get("/").text


def test_overdue_cases_are_told_in_words_with_their_day(client: TestClient, clock: Clock) -> None:
    case = Case(client)
    clock.move(days=60)
    assert client.get(f"/cases/{case.number}/page").status_code == 200
    page = client.get("/?only=overdue").text
    assert _numbers(page) == [case.number]
    assert re.search(r'<span class="tag overdue">.*</svg> overdue since \d+ \w+ 20\d\d</span>', page)


def test_a_closed_case_is_not_among_those_that_wait_but_is_found(client: TestClient) -> None:
    case = Case(client)
    case.sent("cancellation", {"on": "2026-08-12", "reason": "Sent twice."})
    assert client.get("/").text.count(case.number) == 0
    assert _numbers(client.get("/?whose_move=nobody").text) == [case.number]
    assert _numbers(client.get("/?stage=closed").text) == [case.number]


def test_a_case_number_leads_to_its_case(client: TestClient) -> None:
    case = Case(client)
    found = client.get("/", params={"case": f" {case.number.lower()} "}, follow_redirects=False)
    assert (found.status_code, found.headers["location"]) == (303, f"/cases/{case.number}/page")
    missed = client.get("/", params={"case": "AR-NONE"})
    assert missed.status_code == 200
    assert "There is no case AR-NONE." in missed.text


def test_the_board_says_what_is_waiting_and_for_whom(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    data = client.get(f"/cases/{case.number}").json()
    page = unescape(client.get("/").text)
    assert f'<p class="why">{data["why"]}</p>' in page
    assert re.search(r"overdue since \d+ \w+ 20\d\d|due by \d+ \w+ 20\d\d", page)
    assert f"<span>{data['whose_move'].capitalize()}</span>" in page
    assert "Ines Calloway" in page
