"""Pages for people, and what every answer carries."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from service.fhir.engine import CAUTION
from tests.web.messages import Case, example, second_referral

SAFE = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}


def test_the_board_shows_each_case_with_its_day_and_the_caution(client: TestClient) -> None:
    assert "No case is on record yet." in client.get("/").text
    cases = [Case(client), Case(client, second_referral())]
    page = client.get("/")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    for case in cases:
        assert f'href="/cases/{case.number}/page"' in page.text
    assert "As of 20 Nov 2026" in page.text
    assert CAUTION in page.text


def test_the_page_of_a_case_has_its_reasons_its_day_and_the_caution(client: TestClient) -> None:
    case = Case(client).fitted()
    told = case.sent("progress", example("dental-office/progress"))
    page = client.get(f"/cases/{case.number}/page").text
    assert "As of 20 Nov 2026" in page
    assert CAUTION in page
    assert told["readiness"]["sentence"].split(":")[0] in page
    assert re.search(r"It is <strong class=\"move\">.* move</strong> since", page)
    assert re.findall(r"<script[^>]*>", page) == ['<script src="/page.js" defer>']


def test_an_urgent_case_is_marked(client: TestClient) -> None:
    case = Case(client).fitted()
    flag = {"entry_id": "f", "reported_on": "2026-11-18", "kind": "drowsy-driving"}
    case.sent("progress", {"red_flags": [flag]})
    page = client.get("/").text
    assert re.search(r'<span class="tag urgent">.*</svg> urgent</span>', page)


def test_words_of_a_message_cannot_become_markup(client: TestClient) -> None:
    case = Case(client, second_referral(patient__family_name="<script>alert(1)</script>", note="<b>&"))
    for address in ("/", f"/cases/{case.number}/page", "/physician"):
        page = client.get(address).text
        assert "<script>" not in page
        assert "<b>&" not in page


def test_an_unknown_case_has_no_page(client: TestClient) -> None:
    assert client.get("/cases/nothing/page").status_code == 404


def test_pages_use_only_their_own_style_sheet(client: TestClient) -> None:
    page = client.get("/").text
    assert re.findall(r'(?:href|src)="(https?:[^"]+|//[^"]+)"', page) == []
    for address, kind in (("/style.css", "text/css"), ("/page.js", "text/javascript"), ("/icon.svg", "image/svg+xml")):
        assert client.get(address).headers["content-type"].startswith(kind)


@pytest.mark.parametrize("address", ["/", "/style.css", "/health", "/cases", "/fhir/metadata", "/nothing", "/fhir/X/1"])
def test_every_answer_is_numbered_and_safe(client: TestClient, address: str) -> None:
    answers = [client.get(address) for _ in range(2)]
    for name, value in SAFE.items():
        assert answers[0].headers[name] == value
    assert answers[0].headers["referrer-policy"] == ("same-origin" if address == "/" else "no-referrer")
    assert "default-src 'none'" in answers[0].headers["content-security-policy"]
    assert "unsafe" not in answers[0].headers["content-security-policy"]
    assert answers[0].headers["x-request-id"] != answers[1].headers["x-request-id"]


def test_the_service_is_well(client: TestClient) -> None:
    assert client.get("/health").json()["status"] == "well"
