"""What modifiers do to decisions, on both databases: preliminary and final results, a patient out of care, an upgrade."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.build import Resource
from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from service.pipeline.replay import replay
from service.pipeline.upgraded import changed
from service.settings import Settings
from tests.conftest import Clock
from tests.web.messages import Case, example, put, referral

CLOSES: list[dict[str, Any]] = [
    {"deceasedBoolean": True},
    {"deceasedDateTime": "2026-11-01"},
    {"active": False},
    {"link": [{"other": {"display": "another record"}, "type": "replaced-by"}]},
]


@pytest.fixture
def client(pipeline: Pipeline) -> TestClient:
    """The web application on each kind of database."""
    return TestClient(build_app(Settings(), pipeline), raise_server_exceptions=False)


def _change(client: TestClient, address: str, **elements: Any) -> Resource:
    """Update a resource; an element that is None is taken away."""
    held = load(client.get(f"/fhir/{address}").text)
    wanted = {k: v for k, v in {**held, **elements}.items() if v is not None}
    answer = put(client, f"/fhir/{address}", wanted, **{"If-Match": f'W/"{held["meta"]["versionId"]}"'})
    assert answer.status_code == 200, answer.text
    return held


def _tested(client: TestClient) -> tuple[Case, str]:
    """A case with an efficacy test, and the address of its report."""
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    answer = case.sent("sleep-tests", example("sleep-lab/efficacy-test"))
    reports = [r["reference"] for r in answer["resources"] if r["reference"].startswith("DiagnosticReport/")]
    return case, reports[0]


def _same_when_replayed(pipeline: Pipeline, case: Case) -> None:
    done = replay(pipeline._database, case.number)
    assert done is not None
    assert done.decisions > 0
    assert done.differing == ()


def test_a_preliminary_result_is_said_and_counts_once_it_is_final(client: TestClient, pipeline: Pipeline) -> None:
    case, report = _tested(client)
    final = client.get(f"/cases/{case.number}").json()
    assert final["response"]
    for status in ("preliminary", "registered", "partial"):
        _change(client, report, status=status)
        told = client.get(f"/cases/{case.number}").json()
        assert told["response"] is None
        assert [(i["what"], i["status"]) for i in told["not_counted"]] == [("efficacy test", status)]
        criterion = told["readiness"]["criteria"][-1]
        assert criterion["name"] == "all-results-counted"
        assert f"({status})" in criterion["sentence"]
        assert told["follow_up"]["criteria"][-1]["sentence"] == criterion["sentence"]
        plan = load(client.get(f"/fhir/CarePlan/{case.number}").text)
        assert criterion["sentence"] in plan["text"]["div"]
        assert criterion["sentence"] in client.get(f"/cases/{case.number}/page").text
    _change(client, report, status="final")
    again = client.get(f"/cases/{case.number}").json()
    assert again["response"]["outcome"] == final["response"]["outcome"]
    assert again["not_counted"] == []
    _same_when_replayed(pipeline, case)


def test_a_response_says_which_test_it_did_not_count(client: TestClient) -> None:
    """A later test that is preliminary leaves the response to the earlier one, which says so."""
    case, report = _tested(client)
    held = load(client.get(f"/fhir/{report}").text)
    later = {k: v for k, v in held.items() if k not in ("id", "meta", "identifier", "text")}
    later |= {"status": "preliminary", "effectiveDateTime": "2026-11-18"}
    answer = client.post("/fhir/DiagnosticReport", content=write(later), headers={"Content-Type": "application/json"})
    assert answer.status_code == 201, answer.text
    response = client.get(f"/cases/{case.number}").json()["response"]
    assert any("efficacy test of 18 Nov 2026 (preliminary)" in caution for caution in response["cautions"])
    assert f"DiagnosticReport/{answer.json()['id']}" in [i["reference"] for i in response["inputs"]]


@pytest.mark.parametrize("said", CLOSES, ids=lambda said: next(iter(said)))
def test_a_patient_out_of_care_and_the_mistake_undone(
    client: TestClient, pipeline: Pipeline, said: dict[str, Any], clock: Clock
) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    before = client.get(f"/cases/{case.number}").json()
    _change(client, case.patient, **said)
    told = client.get(f"/cases/{case.number}").json()
    assert (told["stage"], told["whose_move"], told["activities"]) == ("closed", "physician", [])
    assert told["why"] in told["readiness"]["criteria"][0]["sentence"]
    assert told["next_step"]["outcome"] == "hold"
    assert told["follow_up"]["visits"] == []
    proposals = _proposals(client, case)
    assert all(p["status"] != "draft" for p in proposals)
    _same_when_replayed(pipeline, case)
    clock.move(minutes=1)
    _change(client, case.patient, **dict.fromkeys(said, None))
    again = client.get(f"/cases/{case.number}").json()
    for part in ("stage", "whose_move", "why", "activities", "readiness", "next_step"):
        assert _but_inputs(again[part]) == _but_inputs(before[part]), part
    _same_when_replayed(pipeline, case)


def _but_inputs(value: Any) -> Any:
    return {k: v for k, v in value.items() if k != "inputs"} if isinstance(value, dict) else value


def _proposals(client: TestClient, case: Case) -> list[Resource]:
    found = client.get("/fhir/ServiceRequest", params={"patient": case.patient, "intent": "proposal"}).json()
    return [e["resource"] for e in found.get("entry", [])]


@pytest.mark.parametrize("said", CLOSES, ids=lambda said: next(iter(said)))
def test_a_patient_out_of_care_opens_nothing(client: TestClient, said: dict[str, Any]) -> None:
    case = Case(client)
    _change(client, case.patient, **said)
    order = load(client.get(f"/fhir/{case.referral}").text)
    body = {k: v for k, v in order.items() if k not in ("id", "meta", "supportingInfo", "reasonReference")}
    body["identifier"] = [{"system": "https://x.example/orders", "value": "9"}]
    answer = client.post("/fhir/ServiceRequest", content=write(body), headers={"Content-Type": "application/json"})
    assert answer.status_code == 422, answer.text
    issue = answer.json()["issue"][0]
    assert issue["expression"] == ["ServiceRequest.subject"]
    plain = referral(referral_number="R-2", baseline_test__test_number="T-2")
    again = client.post("/intake/referrals", content=write(plain), headers={"Content-Type": "application/json"})
    assert again.status_code == 422, again.text
    assert "opens no case" in again.text or "refer the patient by that one" in again.text


@pytest.mark.parametrize("status", ["draft", "on-hold", "unknown"])
def test_stored_orders_and_unknown_modifiers_of_earlier_releases_count_as_nothing(
    client: TestClient, pipeline: Pipeline, status: str
) -> None:
    """As an earlier release took them; the case is decided anew at the start, and listed for the operator."""
    case, report = _tested(client)
    body = load(client.get(f"/fhir/{report}").text)
    if status == "unknown":
        body["modifierExtension"] = [{"url": "https://a.example/changes", "valueBoolean": True}]
        address = report
    else:
        address, body = case.referral, {**load(client.get(f"/fhir/{case.referral}").text), "status": status}
    kind, _, name = address.partition("/")

    def as_before(tx: Any) -> None:
        held = {"body": write(body), "kind": kind, "name": name}
        tx.execute(text("UPDATE resource_version SET body = :body WHERE type = :kind AND id = :name"), held)
        tx.execute(text("UPDATE case_row SET facts_shape = '2-of-before'"))

    pipeline._database.write(as_before)
    assert pipeline.bring_up() == 1
    told = client.get(f"/cases/{case.number}").json()
    assert [i["what"] for i in told["not_counted"]] == ["efficacy test" if status == "unknown" else "referral"]
    listed = [c.case_number for c in changed(pipeline._database)]
    assert listed == ([case.number] if status == "unknown" else listed)
    if status == "unknown":
        assert told["response"] is None
    assert pipeline.bring_up() == 0
