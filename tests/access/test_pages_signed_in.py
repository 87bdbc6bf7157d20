"""What people see and may do on the pages once they have signed in, and what their session does not open.

Sources: the parts of a case and the duties of offices as the service's own matrix tests have them (our own rules); that a
cookie opens no API follows common practice against cross-site request forgery (OWASP cheat sheet, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.access.grant import Office
from service.fhir.json_text import load, write
from service.web import csrf
from service.web.pages.catalogue import FORMS
from tests.access.people import SAME_SITE, Door, door, form_token
from tests.access.world import Trio, World, world
from tests.conftest import Clock
from tests.web.messages import example
from tests.web.pages.forms import opened, send

LAB, DENTIST, PHYSICIAN = Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN
VALUES = {
    "referral-state": {"state": "on-hold", "on": "2026-11-19", "reason": "away"},
    "assessment": {"assessed_on": "2026-11-18", "overjet_mm": "3"},
    "appliance": {"delivered_on": "2026-09-01", "advance_max_mm": "10"},
    "setting": {"set_on": "2026-11-18", "advance_left_mm": "3", "advance_right_mm": "3"},
    "check-in": {"reported_on": "2026-11-18", "snoring_0_to_10": "2"},
    "side-effect": {"reported_on": "2026-11-18", "kind": "sore-jaw", "grade_0_to_3": "1"},
    "red-flag": {"reported_on": "2026-11-18", "kind": "loose-tooth"},
    "red-flag-closure": {
        "kind": "loose-tooth",
        "closed_on": "2026-11-18",
        "closed_by": "Dr Teal",
        "action_taken": "Splinted",
    },
    "visit": {"visited_on": "2026-11-18"},
    "test-order": {"ordered_on": "2026-11-18"},
    "efficacy-test": {
        "laboratory.id": "lab-east",
        "laboratory.name": "lab-east laboratory",
        "test.test_number": "E-99",
        "test.performed_on": "2026-11-17",
        "test.place": "home",
        "test.index": "AHI",
        "test.index_events_per_hour": "4",
        "test.hypopnoea_rule": "3%",
    },
    "physician-decision": {"decided_on": "2026-11-19", "decision": "continue-treatment"},
    "cancellation": {"on": "2026-11-19", "reason": "moved away"},
    "cancellation-answer": {"accept": "no", "on": "2026-11-19", "reason": "work goes on"},
}
THEIRS = {
    LAB: {"efficacy-test", "red-flag"},
    DENTIST: set(FORMS) - {"efficacy-test", "test-order", "physician-decision", "cancellation"},
    PHYSICIAN: {
        "test-order",
        "efficacy-test",
        "physician-decision",
        "cancellation",
        "visit",
        "red-flag",
        "red-flag-closure",
    },
}


@dataclass
class Offices:
    """Two cases of two trios that share nothing, a door, and a signed-in browser of each office."""

    told: World
    here: Door
    browsers: dict[str, TestClient]

    def everybody(self) -> Iterator[tuple[TestClient, Trio, Trio]]:
        """Each browser with its own case and that of others."""
        for own, other in ((self.told.here, self.told.there), (self.told.there, self.told.here)):
            for name in own.clients:
                yield self.browsers[name], own, other


@pytest.fixture
def offices(tmp_path: Path, clock: Clock) -> Iterator[Offices]:
    with world(f"sqlite:///{tmp_path}/relay.db", clock, decided=False) as told:
        pipeline = told.grants.app.state.pipeline  # type: ignore[attr-defined]
        with door(pipeline, tmp_path) as here:
            browsers = {}
            for trio in (told.here, told.there):
                for name, office in zip(trio.clients, (LAB, DENTIST, PHYSICIAN), strict=True):
                    browsers[name] = here.signed_in(here.person(f"Person of {name}", office, number=name))
            stranger = here.person("A stranger", PHYSICIAN, number="medical-north")
            browsers["stranger"] = here.signed_in(stranger)
            yield Offices(told, here, browsers)


def test_the_board_and_the_physicians_page_show_ones_own_cases(offices: Offices) -> None:
    for browser, own, other in offices.everybody():
        for address in ("/", "/?whose_move=physician", "/physician", "/?stage=tested"):
            page = browser.get(address)
            assert page.status_code == 200
            assert own.family in page.text and own.case in page.text, address
            assert other.family not in page.text and other.case not in page.text, address
        found = browser.get(f"/?case={own.case}")
        assert (found.status_code, found.headers["location"]) == (303, f"/cases/{own.case}/page")
        missed = browser.get(f"/?case={other.case}")
        assert missed.status_code == 200 and f"There is no case {other.case}" in missed.text
    for address in ("/", "/physician"):
        text = offices.browsers["stranger"].get(address).text
        assert offices.told.here.case not in text and offices.told.there.case not in text


def test_the_case_page_and_its_forms_are_for_the_parties_alone(offices: Offices) -> None:
    for browser, own, other in offices.everybody():
        assert own.family in browser.get(f"/cases/{own.case}/page").text
        for number in (other.case, "AR-00000-00000"):
            for end in ("page", "forms/visit", "forms/red-flag", "forms/check-in/c1", "forms/check-in/c1/withdraw"):
                answer = browser.get(f"/cases/{number}/{end}")
                assert answer.status_code == 404, (end, answer.status_code)
                assert other.family not in answer.text
    before = offices.told.ask(offices.told.there.dentist, "GET", f"/cases/{offices.told.there.case}/messages").text
    intruder = offices.browsers[offices.told.here.dentist]
    address = f"/cases/{offices.told.here.case}/forms/setting"
    fields = {**opened(intruder, address), **VALUES["setting"]}
    assert send(intruder, f"/cases/{offices.told.there.case}/forms/setting", fields).status_code == 404
    after = offices.told.ask(offices.told.there.dentist, "GET", f"/cases/{offices.told.there.case}/messages").text
    assert after == before


def test_every_link_of_a_case_page_leads_somewhere_for_its_parties_and_for_nobody_else(offices: Offices) -> None:
    for browser, own, other in offices.everybody():
        links = set(re.findall(r'href="(/[^"#]*)"', browser.get(f"/cases/{own.case}/page?history=all").text))
        reads = {link for link in links if link.startswith("/fhir/")}
        assert len(reads) > 10 and any("/_history/" in link for link in reads)
        for link in sorted(links):
            answer = browser.get(link)
            assert answer.status_code == 200, (link, answer.text)
        theirs = re.findall(
            r'href="(/fhir/[^"#]*)"', offices.browsers[other.dentist].get(f"/cases/{other.case}/page").text
        )
        shared = {f"/fhir/{kind}" for kind in ("Organization", "Practitioner")}
        for link in set(theirs):
            if not link.startswith(tuple(shared)):
                assert browser.get(link).status_code == 404, link


def test_an_office_is_offered_its_own_forms_and_the_server_takes_no_other(offices: Offices) -> None:
    trio = offices.told.here
    page_of = {name: offices.browsers[name].get(f"/cases/{trio.case}/page").text for name in trio.clients}
    for name, office in zip(trio.clients, (LAB, DENTIST, PHYSICIAN), strict=True):
        browser = offices.browsers[name]
        for key in FORMS:
            address = f"/cases/{trio.case}/forms/{key}"
            mine = key in THEIRS[office]
            assert (f'href="{address}"' in page_of[name]) == mine, (office, key)
            assert browser.get(address).status_code == (200 if mine else 403), (office, key)
            fields = {csrf.FIELD: form_token(browser), **VALUES[key], "entry_id": f"page-{key}", "revision": "1"}
            if key == "test-order":
                fields["order_number"] = f"order-{name}"
            if key in ("visit", "red-flag-closure"):
                fields["office"] = "dentist" if office is DENTIST else "physician"
            answer = send(browser, address, fields)
            told = (office, key, answer.status_code, re.findall(r"<li>(.*?)</li>", answer.text)[-3:])
            assert answer.status_code in ((303, 409, 422) if mine else (403,)), told


def test_a_laboratory_finds_itself_in_the_form_of_a_result(offices: Offices) -> None:
    for trio in (offices.told.here, offices.told.there):
        for name in (trio.lab, trio.physician):
            browser, address = offices.browsers[name], f"/cases/{trio.case}/forms/efficacy-test"
            fields = opened(browser, address)
            assert fields["laboratory.id"] == trio.lab
            typed = {k: v for k, v in VALUES["efficacy-test"].items() if k.startswith("test.")}
            answer = send(browser, address, {**fields, **typed, "test.test_number": f"E-{name}"})
            assert answer.status_code == 303, answer.text


def test_actions_of_the_physician_are_shown_to_the_physician(offices: Offices) -> None:
    trio = offices.told.here
    address = f"/cases/{trio.case}/forms/physician-decision"
    assert address in offices.browsers[trio.physician].get("/physician").text
    for name in (trio.dentist, trio.lab):
        assert address not in offices.browsers[name].get("/physician").text
        assert 'href="/physician"' not in offices.browsers[name].get("/").text
        assert "/withdraw" not in offices.browsers[trio.lab].get(f"/cases/{trio.case}/page").text
    assert "/forms/check-in/" in offices.browsers[trio.dentist].get(f"/cases/{trio.case}/page").text


def test_what_is_entered_is_told_to_the_audit_as_the_persons(offices: Offices) -> None:
    trio = offices.told.here
    browser = offices.browsers[trio.dentist]
    address = f"/cases/{trio.case}/forms/setting"
    answer = send(browser, address, {**opened(browser, address), **VALUES["setting"]})
    assert answer.status_code == 303, answer.text
    subject = next(p.subject for p in offices.here.people.listed() if p.name == f"Person of {trio.dentist}")
    events = offices.here.events("rest")
    written = [e for e in events if e["action"] in "CU" and subject in str(e["agent"])]
    assert written and all("'pages'" in str(e["agent"]) for e in written)
    assert any(subject in str(e["agent"]) and e["action"] == "R" for e in events)


def closed(offices: Offices) -> list[tuple[str, str]]:
    """Requests that a session opens nothing of, though a token would."""
    trio = offices.told.here
    patient = trio.links["patient"]
    return [
        ("GET", "/cases"),
        ("GET", f"/cases/{trio.case}"),
        ("GET", f"/cases/{trio.case}/readiness"),
        ("GET", f"/cases/{trio.case}/messages"),
        ("POST", "/intake/referrals"),
        ("POST", f"/intake/cases/{trio.case}/progress"),
        ("POST", "/fhir"),
        ("POST", "/fhir/Observation"),
        ("PUT", f"/fhir/{patient}"),
        ("DELETE", f"/fhir/{patient}"),
        ("POST", f"/fhir/{patient}"),
        ("GET", "/fhir/Patient"),
        ("GET", "/fhir/Patient?_id=1"),
        ("POST", "/fhir/Patient/_search"),
        ("GET", f"/fhir/{patient}/_history"),
        ("GET", "/fhir/Patient/_history"),
        ("GET", f"/fhir/{patient}/$everything"),
        ("GET", f"/fhir/CarePlan/{trio.case}/$readiness"),
        ("GET", "/fhir/Subscription"),
        ("GET", "/fhir/Subscription/1"),
        ("GET", "/fhir/Subscription/$status"),
        ("POST", "/fhir/Subscription"),
        ("GET", "/openapi.json"),
        ("GET", f"/cases/{trio.case}/page/"),
        ("GET", f"/cases/{trio.case}/forms"),
        ("GET", "/physician/"),
        ("GET", "//physician"),
    ]


def test_a_session_opens_pages_and_no_api(offices: Offices) -> None:
    browser = offices.browsers[offices.told.here.dentist]
    body = write(example("dental-office/progress"))
    for method, path in closed(offices):
        for headers in (SAME_SITE, {"Sec-Fetch-Site": "cross-site"}, {}):
            content = body if method in ("POST", "PUT") else None
            answer = browser.request(
                method,
                f"http://127.0.0.1:8080{path}",
                content=content,
                headers={"Content-Type": "application/json", **headers},
            )
            assert answer.status_code == 401, (method, path, answer.status_code)
            assert answer.headers["www-authenticate"].startswith("Bearer")
            assert offices.told.here.family not in answer.text


def test_another_site_reads_no_resource_by_the_session(offices: Offices) -> None:
    browser = offices.browsers[offices.told.here.dentist]
    link = f"/fhir/{offices.told.here.links['patient']}"
    assert browser.get(link).status_code == 200
    assert browser.get(link, headers=SAME_SITE).status_code == 200
    assert browser.head(link).status_code in (200, 405)
    for site in ("cross-site", "same-site"):
        assert browser.get(link, headers={"Sec-Fetch-Site": site}).status_code == 401
    assert browser.get(link, headers={"Origin": "https://elsewhere.example"}).status_code == 401


def test_a_wrong_token_is_not_made_good_by_a_session(offices: Offices) -> None:
    browser = offices.browsers[offices.told.here.dentist]
    for held in ("Bearer x", "Bearer ", "Basic eDp5", ""):
        assert browser.get("/", headers={"Authorization": held}).status_code in (401, 303)


def test_a_form_token_of_another_session_is_refused(offices: Offices) -> None:
    trio = offices.told.here
    browser, address = offices.browsers[trio.dentist], f"/cases/{trio.case}/forms/setting"
    fields = {**opened(browser, address), **VALUES["setting"]}
    browser.cookies.delete(csrf.COOKIE)
    assert "set-cookie" not in browser.get(address).headers, "a session needs no second cookie"
    colleague = offices.here.signed_in(offices.here.person("A colleague", DENTIST, number=trio.dentist))
    others = [
        form_token(colleague),
        form_token(offices.browsers[trio.physician]),
        "",
        "A" * 43,
        browser.cookies["airway_relay_session"],
    ]
    for token in others:
        assert send(browser, address, {**fields, csrf.FIELD: token}).status_code == 403
    doubled = "B" * 43
    browser.cookies.set(csrf.COOKIE, doubled)
    assert send(browser, address, {**fields, csrf.FIELD: doubled}).status_code == 403
    crossed = browser.post(address, data=fields, headers={"Sec-Fetch-Site": "cross-site"})
    assert crossed.status_code == 403
    assert send(browser, address, fields).status_code == 303


def test_what_is_sent_without_a_session_is_refused_on_a_page(offices: Offices) -> None:
    trio = offices.told.here
    browser, address = offices.browsers[trio.dentist], f"/cases/{trio.case}/forms/setting"
    fields = {**opened(browser, address), **VALUES["setting"]}
    browser.cookies.clear()
    answer = send(browser, address, fields)
    assert answer.status_code == 401
    assert answer.headers["content-type"].startswith("text/html")
    assert "not signed in any more" in answer.text and answer.headers["www-authenticate"]
    assert browser.get(address).headers["location"] == f"/sign-in?next=%2Fcases%2F{trio.case}%2Fforms%2Fsetting"


def test_every_page_is_kept_from_caches_and_other_sites(offices: Offices) -> None:
    trio = offices.told.here
    browser = offices.browsers[trio.dentist]
    pages = ["/", "/physician", f"/cases/{trio.case}/page", f"/cases/{trio.case}/forms/setting", "/sign-in"]
    for address in [*pages, f"/sign-in/link/{'A' * 43}", "/cases/AR-NONE/page", "/sign-in/start", "/sign-in/callback"]:
        answer = browser.get(address)
        assert answer.headers["cache-control"] == "no-store", address
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "script-src 'self'" in policy and "frame-ancestors 'none'" in policy
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert answer.headers["cross-origin-opener-policy"] == "same-origin"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|<style|\sstyle=|javascript:", answer.text), address


def test_a_resource_read_by_a_session_is_in_the_audit(offices: Offices) -> None:
    trio = offices.told.here
    browser = offices.browsers[trio.physician]
    assert load(browser.get(f"/fhir/{trio.links['patient']}").text)["resourceType"] == "Patient"
    subject = next(p.subject for p in offices.here.people.listed() if p.name == f"Person of {trio.physician}")
    (event,) = [e for e in offices.here.events("rest") if subject in str(e["agent"])]
    assert event["action"] == "R" and trio.links["patient"] in str(event["entity"])
