"""$letter: a document Bundle that is whole, valid, the same as the page, and stored nowhere.

What a document must hold is read from https://hl7.org/fhir/R4/documents.html and the invariants of Bundle.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.access.grant import Office
from service.fhir.build import references_in
from service.fhir.engine import CAUTION
from service.fhir.json_text import load
from service.fhir.validate import issues_of, validate
from tests.access.world import World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.messages import Case, example, row_counts

BASE = "http://127.0.0.1:8080/fhir"


@pytest.fixture
def case(client: TestClient) -> Case:
    held = Case(client).fitted()
    held.sent("assessments", example("dental-office/assessment"))
    held.sent("progress", example("dental-office/progress"))
    held.sent("sleep-tests", example("sleep-lab/efficacy-test"))
    return held


def letter(case: Case) -> dict[str, Any]:
    answer = case.client.get(f"/fhir/CarePlan/{case.number}/$letter")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/fhir+json")
    return load(answer.text)


def test_the_letter_is_a_valid_document(case: Case) -> None:
    bundle = letter(case)
    assert issues_of(bundle) == []
    assert (bundle["type"], bundle["timestamp"][:10]) == ("document", "2026-11-20")
    assert bundle["identifier"]["system"] and bundle["identifier"]["value"].startswith(case.number)
    first, *rest = (e["resource"] for e in bundle["entry"])
    assert first["resourceType"] == "Composition"
    assert first["type"]["coding"][0]["code"] == "34756-7"
    assert first["status"] == "preliminary"
    assert first["date"] <= bundle["timestamp"]
    assert [validate(r) for r in rest] == [[]] * len(rest)
    assert all(e["resource"].get("id") in e["fullUrl"] for e in bundle["entry"][1:])
    addresses = [(e["fullUrl"], e["resource"].get("meta", {}).get("versionId")) for e in bundle["entry"]]
    assert len(set(addresses)) == len(addresses)


def test_everything_it_speaks_of_is_in_it_in_the_version_it_speaks_of(case: Case) -> None:
    bundle = letter(case)
    held = {e["fullUrl"] for e in bundle["entry"]}
    versions = {f"{e['fullUrl']}/_history/{e['resource']['meta']['versionId']}" for e in bundle["entry"][1:]}
    composition, *rest = (e["resource"] for e in bundle["entry"])
    direct = [r for _, r in references_in(composition, "")]
    assert direct and set(direct) <= held
    followed = [
        f"{BASE}/{r}"
        for resource in rest
        for _, r in references_in(resource, "")
        if not r.startswith(("#", "CarePlan/", "http"))
    ]
    assert any("/_history/" in r for r in followed)
    assert set(followed) <= held | versions
    kinds = {r["resourceType"] for r in rest}
    assert {"CarePlan", "Patient", "Observation", "DiagnosticReport", "ServiceRequest", "Device"} <= kinds
    reached = {r.split("/_history/")[0] for r in [*direct, *followed]}
    assert held - reached == {bundle["entry"][0]["fullUrl"]}


def test_it_says_what_the_page_says(case: Case) -> None:
    data = load(case.client.get(f"/cases/{case.number}").text)
    sections = letter(case)["entry"][0]["resource"]["section"]
    told = unescape(re.sub(r"<[^>]+>", "", "".join(s["text"]["div"] for s in sections)))
    decisions = [data[name] for name in ("readiness", "next_step", "response", "follow_up")]
    sentences = [c["sentence"] for d in decisions for c in d["criteria"]] + [d["sentence"] for d in decisions]
    assert len(sentences) > 20
    assert [s for s in sentences if s not in told] == []
    assert CAUTION in told and "As of 20 Nov 2026" in told
    assert re.search(r"REI [\d.]+ \([\d.]+ to [\d.]+\)", told)


def test_reading_it_stores_nothing_and_the_same_content_is_the_same_document(case: Case, clock: Clock) -> None:
    first = letter(case)
    case.client.app.state.pipeline.read_audit.flush()  # type: ignore[attr-defined]
    before = row_counts(case.client.app.state.pipeline)  # type: ignore[attr-defined]
    clock.move(minutes=5)
    again = letter(case)
    assert row_counts(case.client.app.state.pipeline) == before  # type: ignore[attr-defined]
    assert again["identifier"] == first["identifier"] and again["entry"] == first["entry"]
    assert again["timestamp"] > first["timestamp"]
    check_in = {"entry_id": "c99", "reported_on": "2026-11-20", "snoring_0_to_10": 4}
    case.sent("progress", {"check_ins": [check_in]})
    assert letter(case)["identifier"] != first["identifier"]


def test_a_new_case_and_one_that_is_closed_have_letters(client: TestClient, clock: Clock) -> None:
    case = Case(client)
    assert issues_of(letter(case)) == []
    case.sent("referral-state", {"state": "rejected", "on": "2026-11-20", "reason": "No teeth to hold an appliance"})
    clock.move(days=40)
    bundle = letter(case)
    assert issues_of(bundle) == []
    assert "as of 20 Nov 2026" in bundle["entry"][0]["resource"]["title"]


def test_there_is_no_letter_of_no_case(client: TestClient) -> None:
    assert client.get("/fhir/CarePlan/AR-NONE/$letter").status_code == 404


@pytest.fixture
def told(tmp_path: Any, clock: Clock) -> Iterator[World]:
    with world(f"sqlite:///{tmp_path}/world.db", clock, PARTITIONS) as held:
        yield held


def test_a_letter_needs_the_right_to_read_what_it_speaks_of(told: World) -> None:
    place = f"/fhir/CarePlan/{told.here.case}/$letter"
    assert told.ask(told.here.physician, "GET", place).status_code == 200
    assert told.ask(told.there.physician, "GET", place).status_code == 404
    own = told.grants.held[told.here.physician].organisation
    some = ("system/CarePlan.r", "system/Observation.r")
    for name, scopes, status in (
        ("plan alone", some[:1], 403),
        ("no tests", (*some, "system/Patient.r", "system/Organization.r", "system/Device.r"), 403),
        ("enough", (*some, *(f"system/{k}.r" for k in ("Patient", "Organization", "Device", "DiagnosticReport"))), 200),
    ):
        told.add(name, Office.PHYSICIAN, *scopes, organisation=own)
        answer = told.ask(name, "GET", place)
        assert answer.status_code == status, (name, answer.text[:300])
        if name == "no tests":
            assert "system/DiagnosticReport.r is needed" in answer.text
