"""What a message would change, asked before it is sent: `dry_run` at the plain doors, `case` of $validate."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import Case, example, issues, post, referral, row_counts

DOORS = [
    ("referral-state", "dental-office/accept"),
    ("assessments", "dental-office/assessment"),
    ("appliances", "dental-office/appliance"),
    ("progress", "dental-office/progress"),
    ("test-orders", "physician/test-order"),
    ("sleep-tests", "sleep-lab/efficacy-test"),
    ("decisions", "physician/decision"),
]
_SAME = ("stage", "whose_move", "why", "as_of", "readiness", "next_step", "notes", "problems", "caution")


def test_a_course_is_foretold_and_nothing_of_it_is_stored(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    for door, name in DOORS:
        address = f"/intake/cases/{case.number}/{door}"
        before = row_counts(sqlite_pipeline)
        foretold = post(client, f"{address}?dry_run=true", example(name))
        assert foretold.status_code == 200
        assert row_counts(sqlite_pipeline) == before
        came = load(post(client, address, example(name)).text)
        said = load(foretold.text)
        assert {k: said[k] for k in _SAME} == {k: came[k] for k in _SAME}
        assert [r["result"] for r in said["resources"]] == [r["result"] for r in came["resources"]]
        assert said["dry_run"] is True
        assert said["case_number"] == case.number


def test_a_referral_would_open_a_case_that_has_no_number_yet(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    before = row_counts(sqlite_pipeline)
    said = load(post(client, "/intake/referrals?dry_run=true", referral()).text)
    assert (said["case_number"], said["opens_a_case"], said["stage"]) == (None, True, "referred")
    assert {"type": "ServiceRequest", "versions": 1} in said["would_write"]
    assert all("/" not in r["reference"] for r in said["resources"])
    assert row_counts(sqlite_pipeline) == before
    assert client.get("/cases").json()["cases"] == []


def test_a_refusal_is_the_same_one(client: TestClient) -> None:
    case = Case(client)
    wrong = {"settings": [{"entry_id": "s", "set_on": "2027-01-01", "left_mm": 1, "right_mm": 1}]}
    address = f"/intake/cases/{case.number}/progress"
    asked, sent = post(client, f"{address}?dry_run=true", wrong), post(client, address, wrong)
    assert asked.status_code == sent.status_code == 422
    assert issues(asked) == issues(sent)
    good = example("dental-office/progress")
    nowhere = post(client, "/intake/cases/AR-00000-00000/progress?dry_run=true", good)
    assert nowhere.status_code == 404


@pytest.mark.parametrize("text", ["yes", "", "1", "TRUE"])
def test_only_true_and_false_are_answers(client: TestClient, text: str) -> None:
    answer = post(client, f"/intake/referrals?dry_run={text}", referral())
    assert (answer.status_code, issues(answer)[0][2]) == (422, "dry_run")


def _order(case: Case) -> dict[str, Any]:
    """An order of a test for the case, as a physician's system writes it."""
    data = load(case.client.get(f"/cases/{case.number}").text)["resources"]
    stored = load(case.client.get(f"/fhir/{data['referral']}").text)
    return {
        "resourceType": "Communication",
        "status": "completed",
        "subject": stored["subject"],
        "basedOn": [{"reference": data["referral"]}],
        "sent": "2026-11-20T08:00:00Z",
        "payload": [{"contentString": "Please call before noon."}],
    }


def test_validation_says_what_a_resource_would_change_in_its_case(
    client: TestClient, sqlite_pipeline: Pipeline
) -> None:
    case = Case(client)
    body = _order(case)
    before = row_counts(sqlite_pipeline)
    answer = post(client, f"/fhir/Communication/$validate?case={case.number}", body)
    last = issues(answer)[-1]
    assert answer.status_code == 200
    assert case.number in last[1]
    assert "1 of Communication" in last[1]
    assert row_counts(sqlite_pipeline) == before


def test_validation_says_that_a_resource_is_of_another_case(client: TestClient) -> None:
    case = Case(client)
    for other in ("AR-00000-00000", f"{case.number}0"):
        answer = post(client, f"/fhir/Communication/$validate?case={other}", _order(case))
        assert any("not about the case" in issue[1] for issue in issues(answer))
        assert case.number not in answer.text


def test_validation_says_why_the_case_would_refuse_it(client: TestClient) -> None:
    case = Case(client)
    body = _order(case) | {"subject": {"reference": "Patient/nobody"}}
    sent = post(client, "/fhir/Communication", body)
    asked = post(client, f"/fhir/Communication/$validate?case={case.number}", body)
    assert (sent.status_code, asked.status_code) == (422, 200)
    assert issues(asked) == issues(sent)
