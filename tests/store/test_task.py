"""The referral's Task moves with messages, FHIR updates and the stage of the case, one version a message."""

from __future__ import annotations

from datetime import date
from typing import Any

import httpx
import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from service.settings import Settings
from tests.store.messages import Post, opened_case, settled_course, take, take_bundle
from tests.store.whole import check_whole, current, rows_of

_FROM_A_CHECK_IN = ("-snoring", "-restedness", "-epworth", "-pauses", "-wear", "-weight")


@pytest.fixture
def web(pipeline: Pipeline) -> TestClient:
    return TestClient(build_app(Settings(), pipeline))


def _task(pipeline: Pipeline, number: str) -> dict[str, Any]:
    kind, name = pipeline.case(number)["resources"]["task"].split("/")
    return load(pipeline.resource(kind, name).body)


def _business_status(task: dict[str, Any]) -> str:
    return task["businessStatus"]["coding"][0]["code"] if "businessStatus" in task else ""


def _put(web: TestClient, task: dict[str, Any]) -> httpx.Response:
    headers = {"If-Match": f'W/"{task["meta"]["versionId"]}"', "Content-Type": "application/fhir+json"}
    return web.put(f"/fhir/Task/{task['id']}", content=write(task), headers=headers)


def test_an_update_that_also_changes_the_stage_is_one_version(pipeline: Pipeline, web: TestClient, database_url: str):
    number = opened_case(pipeline, settled_course())
    before = _task(pipeline, number)
    assert _business_status(before) == "ready-for-retest"
    answer = _put(web, {**before, "status": "on-hold", "statusReason": {"text": "away"}})
    assert answer.status_code == 200
    after = _task(pipeline, number)
    assert int(after["meta"]["versionId"]) == int(before["meta"]["versionId"]) + 1
    assert (after["status"], _business_status(after)) == ("on-hold", "")
    assert load(answer.text) == after
    assert pipeline.case(number)["stage"] == "on-hold"
    check_whole(rows_of(database_url))


def test_an_update_cannot_take_away_the_services_own_business_status(
    pipeline: Pipeline, web: TestClient, database_url: str
):
    number = opened_case(pipeline, settled_course())
    task = _task(pipeline, number)
    del task["businessStatus"]
    task["note"] = [{"text": "Seen."}]
    assert _put(web, task).status_code == 200
    assert _business_status(_task(pipeline, number)) == "ready-for-retest"
    check_whole(rows_of(database_url))


def test_a_cancelled_referral_is_revoked_and_closed(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline)
    take(pipeline, Post("cancellation", {"on": "2026-11-19", "reason": "moved away"}), number)
    case = pipeline.case(number)
    assert (case["stage"], case["why"]) == ("closed", "The physician's office cancelled the referral.")
    kind, name = case["resources"]["referral"].split("/")
    assert load(pipeline.resource(kind, name).body)["status"] == "revoked"
    fact = next(f for f in rows_of(database_url)["fact"] if f["id"] == name)
    assert fact["version"] == 2


def _as_bundle(database_url: str, number: str) -> dict[str, Any]:
    """What clients sent of a case, as one transaction Bundle about another patient."""
    rows = current(rows_of(database_url)["resource_version"])
    case = next(c for c in rows_of(database_url)["case_row"] if c["case_number"] == number)
    own = {*load(case["derived"])["versions"], case["task"], "Device/airway-relay-rules"}
    sent = {
        reference: load(row["body"])
        for reference, row in rows.items()
        if reference not in own and row["type"] != "AuditEvent" and not row["id"].endswith(_FROM_A_CHECK_IN)
    }
    entries = [
        {
            "fullUrl": f"urn:uuid:{body['id']}",
            "resource": body,
            "request": {"method": "POST", "url": body["resourceType"]},
        }
        for body in sent.values()
    ]
    text = write({"resourceType": "Bundle", "type": "transaction", "entry": entries})
    for reference in sent:
        text = text.replace(f'"reference":"{reference}"', f'"reference":"urn:uuid:{reference.split("/")[1]}"')
    return load(text.replace(number, "elsewhere").replace("-2044", "-2045"))


def test_a_whole_course_in_the_bundle_that_opens_the_case(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, settled_course())
    answer = take_bundle(pipeline, _as_bundle(database_url, number))
    assert answer.opened
    assert answer.case_number != number
    task = _task(pipeline, answer.case_number)
    assert (task["meta"]["versionId"], _business_status(task)) == ("1", "ready-for-retest")
    assert pipeline.case(answer.case_number)["stage"] == "ready-for-test"
    check_whole(rows_of(database_url))


def test_the_state_of_a_past_day_is_that_days_state(pipeline: Pipeline, web: TestClient, database_url: str):
    """Told late, by message and by an update that leaves the dates of the Task as they were."""
    number = opened_case(pipeline)
    take(pipeline, Post("referral-state", {"state": "received", "on": "2026-11-10"}), number)
    take(pipeline, Post("referral-state", {"state": "accepted", "on": "2026-11-14"}), number)
    task = _task(pipeline, number)
    assert task["executionPeriod"] == {"start": "2026-11-14", "end": "2026-11-14"}
    assert _put(web, {**task, "status": "rejected", "statusReason": {"text": "no appointment"}}).status_code == 200
    stages = {day: pipeline.case_as_of(number, date(2026, 11, day))["why"] for day in (12, 14, 19, 20)}
    assert stages[12].startswith("Referred on")
    assert stages[14] == stages[19] != stages[12]
    assert stages[14].startswith("Accepted")
    assert stages[20].startswith("The dental office declined")
    check_whole(rows_of(database_url))
