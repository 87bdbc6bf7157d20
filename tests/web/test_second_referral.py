"""Several referrals of one patient: a second one replaces one that has ended, and every fact names its case."""

from __future__ import annotations

from typing import Any

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.fhir.build import Resource, ref
from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.store.whole import check_whole, rows_of
from tests.web.messages import Case, bundle, example, issues, post, referral, row_counts, second_referral

GONE = {"state": "rejected", "on": "2026-08-20", "reason": "cannot be reached"}


def second(**changes: Any) -> dict[str, Any]:
    """Another referral of the same patient."""
    return referral(referral_number="R-2", baseline_test__test_number="T-2", **changes)


def refer(client: TestClient, **changes: Any) -> Response:
    return post(client, "/intake/referrals", {**second(), **changes})


def told(client: TestClient, number: str) -> dict[str, Any]:
    return load(client.get(f"/cases/{number}").text)


@pytest.mark.parametrize("by", ["case number", "referral number"])
def test_the_two_cases_name_each_other(client: TestClient, by: str, tmp_path: Any) -> None:
    old = Case(client)
    old.sent("referral-state", GONE)
    answer = refer(client, replaces=old.number if by == "case number" else "R-2044")
    assert answer.status_code == 201, answer.text
    number = answer.json()["case_number"]
    assert number != old.number
    new = told(client, number)
    assert (new["replaces"], new["replaced_by"]) == (old.number, [])
    assert new["replaced_because"].startswith("The earlier referral ended as ")
    assert (told(client, old.number)["replaces"], told(client, old.number)["replaced_by"]) == (None, [number])
    plan = load(client.get(f"/fhir/CarePlan/{number}").text)
    assert plan["replaces"] == [ref(f"CarePlan/{old.number}")]
    order = load(client.get(f"/fhir/{new['resources']['referral']}").text)
    assert order["replaces"] == [ref(old.referral)]
    assert refer(client, replaces=old.number if by == "case number" else "R-2044").status_code == 200
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


def order_of(case: Case, replaced: str) -> Resource:
    """A second order as a FHIR client writes it, of a patient that is here."""
    held = load(case.client.get(f"/fhir/{case.referral}").text)
    kept = {
        k: v for k, v in held.items() if k in ("resourceType", "intent", "code", "subject", "requester", "performer")
    }
    number = [{"system": "https://x.example/orders", "value": "2"}]
    return {**kept, "status": "active", "identifier": number, "authoredOn": "2026-09-01", "replaces": [ref(replaced)]}


def test_by_fhir_the_order_names_the_one_it_replaces(client: TestClient) -> None:
    old = Case(client)
    old.sent("referral-state", GONE)
    answer = post(client, "/fhir", bundle(order_of(old, old.referral)))
    assert answer.status_code == 200, answer.text
    number = answer.headers["x-case-number"]
    assert number != old.number
    assert told(client, number)["replaces"] == old.number
    assert told(client, old.number)["replaced_by"] == [number]


@pytest.mark.parametrize(
    ("replaces", "sentence"),
    [
        ("R-404", "«R-404» is neither a case nor the number of an earlier referral of this practice."),
        ("R-9001", "is another patient's; it cannot be replaced by this one."),
        ("R-2044", "is still open; it is replaced once it has ended."),
    ],
)
def test_what_cannot_be_replaced(client: TestClient, sqlite_pipeline: Pipeline, replaces: str, sentence: str) -> None:
    Case(client)
    Case(client, second_referral()).sent("referral-state", GONE)
    before = row_counts(sqlite_pipeline)
    answer = refer(client, replaces=replaces)
    assert answer.status_code == 422
    assert sentence in issues(answer)[0][1]
    assert row_counts(sqlite_pipeline) == before


def test_by_fhir_only_a_referral_can_be_replaced(client: TestClient) -> None:
    old = Case(client).fitted()
    old.sent("test-orders", example("physician/test-order"))
    old.sent("referral-state", {"state": "failed", "on": "2026-10-10", "reason": "lost"})
    found = told(client, old.number)
    assert found["stage"] == "closed"
    answer = post(client, "/fhir", bundle(order_of(old, "ServiceRequest/none")))
    assert answer.status_code == 422


def test_facts_of_a_patient_with_two_cases_name_theirs(client: TestClient) -> None:
    old = Case(client).fitted()
    new = Case(client, second()).fitted()
    assert old.patient == new.patient
    nameless = {k: v for k, v in new.setting().items() if k != "basedOn"}
    refused = post(client, "/fhir/Observation", nameless)
    assert refused.status_code == 422
    assert "The patient has several cases" in issues(refused)[0][1]
    for case in (old, new):
        made = post(client, "/fhir/Observation", case.setting(note=[{"text": case.number}]))
        assert made.headers["x-case-number"] == case.number
    mixed = bundle(old.setting("1", "1"), new.setting("1", "1"))
    assert post(client, "/fhir", mixed).status_code == 422
    plans = load(client.get(f"/fhir/CarePlan?patient={old.patient.removeprefix('Patient/')}").text)
    assert {e["resource"]["id"] for e in plans["entry"]} == {old.number, new.number}


def test_what_ended_does_not_move_again(client: TestClient) -> None:
    old = Case(client)
    old.sent("referral-state", GONE)
    refer(client, replaces=old.number)
    assert old.send("referral-state", {"state": "accepted", "on": "2026-09-01"}).status_code == 422
    assert old.send("assessments", example("dental-office/assessment")).status_code == 409
