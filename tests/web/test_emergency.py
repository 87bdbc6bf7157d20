"""Emergency access by header: told in the audit with purpose BTG and its reason, in the log without it."""

from __future__ import annotations

import logging

import pytest
from starlette.testclient import TestClient

from service.access.grant import Grant, Office, scopes_of
from service.app import build_app
from service.fhir.validate import validate
from service.pipeline import Pipeline
from service.settings import Settings
from tests.web.audit_events import event_of, patients_of
from tests.web.messages import PATIENT, Case, post
from tests.web.test_audit import Given

WARD = Grant("ward-1", frozenset({Office.PHYSICIAN}), "Organization/ward", scopes_of(["system/*.cruds"]))
REASON = {"X-Emergency-Reason": "Found unconscious, no letter at hand"}


@pytest.fixture
def case(client: TestClient) -> Case:
    """A case to which the ward is no party."""
    return Case(client)


@pytest.fixture
def ward(sqlite_pipeline: Pipeline) -> TestClient:
    """An application for a client that is registered for emergency access."""
    app = build_app(Settings(emergency_clients=frozenset({"ward-1"})), sqlite_pipeline)
    app.user_middleware.insert(2, type(app.user_middleware[0])(Given, grant=WARD))
    return TestClient(app)


def test_a_read_for_a_reason(ward: TestClient, case: Case, caplog: pytest.LogCaptureFixture) -> None:
    assert ward.get(f"/fhir/{case.patient}").status_code == 404
    answer = ward.get(f"/fhir/{case.patient}", headers=REASON)
    assert answer.status_code == 200
    event = event_of(ward, answer.headers["x-request-id"])
    [purpose] = event["purposeOfEvent"]
    assert purpose["coding"][0]["code"] == "BTG"
    assert purpose["text"] == REASON["X-Emergency-Reason"]
    assert patients_of(event) == [case.patient]
    assert validate(event) == []
    [line] = [r for r in caplog.records if r.levelno == logging.WARNING and r.name == "airway_relay"]
    assert vars(line)["told"] == {"request_id": answer.headers["x-request-id"], "client": "ward-1"}
    everyday = ward.get("/cases")
    assert everyday.json()["cases"] == []
    assert "purposeOfEvent" not in event_of(ward, everyday.headers["x-request-id"])
    assert [c["case_number"] for c in ward.get("/cases", headers=REASON).json()["cases"]] == [case.number]


def test_a_search_by_post_reads_too(ward: TestClient) -> None:
    form = {"Content-Type": "application/x-www-form-urlencoded", **REASON}
    answer = ward.post("/fhir/Patient/_search", content="name=x", headers=form)
    assert answer.status_code == 200
    assert event_of(ward, answer.headers["x-request-id"])["purposeOfEvent"]


def test_writing_in_an_emergency_is_refused_and_audited(ward: TestClient) -> None:
    answer = post(ward, "/fhir/Patient", PATIENT, **REASON)
    assert answer.status_code == 403
    assert answer.json()["issue"][0]["code"] == "forbidden"
    assert event_of(ward, answer.headers["x-request-id"])["outcome"] == "8"


def test_no_reason_no_access(ward: TestClient) -> None:
    assert ward.get("/cases", headers={"X-Emergency-Reason": "short"}).status_code == 422


def test_a_client_that_is_not_registered(client: TestClient) -> None:
    assert client.get("/cases", headers=REASON).status_code == 403
