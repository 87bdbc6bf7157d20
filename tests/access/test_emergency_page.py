"""The form by which a signed-in person opens emergency access, and what the pages then show, to them and to the parties."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.access.grant import Office
from service.web import csrf
from tests.access.people import SAME_SITE, Door, door
from tests.access.world import World, world
from tests.conftest import Clock
from tests.web.audit_events import events
from tests.web.pages.forms import opened, send

REASON = "Found unconscious, no letter at hand"


@pytest.fixture
def told(tmp_path: Path, clock: Clock) -> Iterator[World]:
    with world(f"sqlite:///{tmp_path}/relay.db", clock) as made:
        yield made


@pytest.fixture
def here(told: World, tmp_path: Path) -> Iterator[Door]:
    with door(told.grants.app.state.pipeline, tmp_path) as made:  # type: ignore[attr-defined]
        yield made


@pytest.fixture
def ward(here: Door) -> TestClient:
    """The browser of a physician of a hospital that is no party to any case."""
    return here.signed_in(here.person("Dr Ward", Office.PHYSICIAN, number="hospital-1"))


def ask_for(browser: TestClient, about: str, reason: str = REASON) -> str:
    """Fill in the form; where it leads."""
    answer = send(browser, "/emergency", {**opened(browser, "/emergency"), "about": about, "reason": reason})
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def test_the_board_leads_to_the_form_and_the_form_to_the_case(told: World, ward: TestClient) -> None:
    case = told.there.case
    missed = ward.get(f"/?case={case}").text
    assert f'href="/emergency?about={case}"' in missed
    assert ward.get(f"/cases/{case}/page").status_code == 404
    assert opened(ward, f"/emergency?about={case}")["about"] == case
    place = ask_for(ward, case.lower())
    assert place == f"/cases/{case}/page"
    page = ward.get(place)
    assert page.status_code == 200
    assert told.there.family in page.text and "Emergency access." in page.text and REASON in page.text
    assert "/forms/" not in page.text
    for end in ("reasons", "letter", "sheet"):
        assert ward.get(f"/cases/{case}/{end}").status_code == 200, end
    assert ward.get(f"/fhir/{told.there.links['patient']}").status_code == 200
    assert ward.get(f"/cases/{told.here.case}/page").status_code == 404
    assert ward.get(f"/fhir/{told.here.links['patient']}").status_code == 404
    assert told.there.family not in ward.get("/").text
    assert f'href="{place}"' in ward.get("/emergency").text


def test_nothing_is_entered_by_it(told: World, ward: TestClient) -> None:
    place = ask_for(ward, told.there.case)
    base = place.removesuffix("/page")
    assert ward.get(f"{base}/forms/visit").status_code == 403
    fields = {csrf.FIELD: opened(ward, "/emergency")[csrf.FIELD], "visited_on": "2026-11-18", "office": "physician"}
    assert send(ward, f"{base}/forms/visit", {**fields, "entry_id": "page-1"}).status_code == 404
    assert ward.get(f"{base}/check-in-link").status_code in (403, 404)


def test_a_patient_opens_every_case_and_the_audit_knows_the_person(told: World, here: Door, ward: TestClient) -> None:
    assert ask_for(ward, told.there.links["patient"]) == f"/cases/{told.there.case}/page"
    answer = ward.get(f"/cases/{told.there.case}/page")
    number = answer.headers["x-request-id"]
    [event] = [e for e in events(here.browser()) if e["entity"][0]["what"]["identifier"]["value"] == number]
    assert event["purposeOfEvent"][0]["text"] == REASON
    [person] = [a for a in event["agent"] if a["requestor"]]
    assert person["who"]["identifier"]["value"]
    assert not [a for a in event["agent"] if "not verified" in a["who"].get("display", "")]


def test_the_parties_see_it_on_the_page_of_the_case(told: World, here: Door, ward: TestClient) -> None:
    ask_for(ward, told.there.case)
    dentist = here.signed_in(here.person("A dentist", Office.DENTAL_OFFICE, number=told.there.dentist))
    page = dentist.get(f"/cases/{told.there.case}/page").text
    assert "Opened by emergency access" in page
    assert "by Dr Ward of Office hospital-1" in page and REASON in page and "Not reviewed yet" in page
    assert "Emergency access." not in page


def test_what_is_wrong_stands_on_the_form(told: World, ward: TestClient, clock: Clock) -> None:
    fields = opened(ward, "/emergency")
    answer = send(ward, "/emergency", {**fields, "about": "AR-00000-00000", "reason": REASON})
    assert answer.status_code == 404 and "There is no case" in answer.text and REASON in answer.text
    answer = send(ward, "/emergency", {**fields, "about": told.there.case, "reason": "aaaaaaaaaa"})
    assert answer.status_code == 422 and "Say why in words" in answer.text
    answer = ward.post("/emergency", data={"about": told.there.case, "reason": REASON}, headers=SAME_SITE)
    assert answer.status_code == 403 and "Nothing was opened" in answer.text
    assert ward.get(f"/cases/{told.there.case}/page").status_code == 404
    for _ in range(3):
        ask_for(ward, told.there.case)
    answer = send(ward, "/emergency", {**fields, "about": told.there.case, "reason": REASON})
    assert answer.status_code == 429 and "in an hour" in answer.text


def test_it_is_for_the_people_to_whom_it_is_granted(told: World, here: Door) -> None:
    dentist = here.signed_in(here.person("A dentist", Office.DENTAL_OFFICE, number="dental-9"))
    assert dentist.get("/emergency").status_code == 403
    assert 'href="/emergency' not in dentist.get("/").text
    sent = send(dentist, "/emergency", {csrf.FIELD: opened(dentist, "/")[csrf.FIELD], "about": told.there.case})
    assert sent.status_code == 403
    assert here.browser().get("/emergency").status_code == 303


def test_it_ends_by_itself(told: World, ward: TestClient, clock: Clock) -> None:
    place = ask_for(ward, told.there.case)
    for _ in range(11):
        clock.move(minutes=20)
        assert ward.get(place).status_code == 200
    clock.move(minutes=20)
    assert ward.get(place).status_code == 404
