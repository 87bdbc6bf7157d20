"""Cancelling after work began: asked by the physician's office, answered by the dental office, by message and by FHIR."""

from __future__ import annotations

from typing import Any

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.fhir.build import Resource, ref
from service.fhir.json_text import load
from service.fhir.referral_task import Role
from service.intake.sender import Sender
from service.pipeline import Pipeline
from tests.store.whole import check_whole, rows_of
from tests.web.messages import Case, example, issues, post, put, row_counts

ASKED = example("physician/cancellation")
AGREED = {"accept": True, "on": "2026-09-22"}
DECLINED = example("dental-office/cancellation-answer")
ABORT = {"coding": [{"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": "abort"}]}


def abort(case: Case, **elements: Any) -> Resource:
    return {
        "resourceType": "Task",
        "status": "requested",
        "intent": "order",
        "code": ABORT,
        "focus": ref(case.task),
        "for": ref(case.patient),
        "authoredOn": "2026-09-20",
        "reasonCode": {"text": "surgery instead"},
        **elements,
    }


def read(client: TestClient, reference: str) -> Resource:
    return load(client.get(f"/fhir/{reference}").text)


def requests_of(client: TestClient, case: Case) -> list[Resource]:
    """Every request to cancel of a case, by the audit of what its messages wrote."""
    rows = client.app.state.pipeline._database.read(  # type: ignore[attr-defined]
        lambda tx: tx.exec_driver_sql(
            f"SELECT DISTINCT id FROM resource_version WHERE type='Task' AND case_number='{case.number}'"
        ).fetchall()
    )
    tasks = [read(client, f"Task/{row[0]}") for row in rows]
    return [t for t in tasks if t["code"]["coding"][0]["code"] == "abort"]


def answered(client: TestClient, request: Resource, **changes: Any) -> Response:
    headers = {"If-Match": f'W/"{request["meta"]["versionId"]}"'}
    return put(client, f"/fhir/Task/{request['id']}", {**request, **changes}, **headers)


def ended(client: TestClient, case: Case) -> tuple[str, str, str]:
    """States of the referral's Task, its ServiceRequest, and the stage of the case."""
    stage = load(client.get(f"/cases/{case.number}").text)["stage"]
    return read(client, case.task)["status"], read(client, case.referral)["status"], stage


def test_a_request_is_shown_to_the_dental_office_and_the_referral_goes_on(client: TestClient) -> None:
    case = Case(client).fitted()
    told = case.sent("cancellation", ASKED)
    assert told["whose_move"] == "dentist"
    assert told["why"].startswith(
        "The physician's office asked on 20 Sep 2026 to cancel the referral (The patient asked"
    )
    assert told["notes"] == [
        "Work on this referral has begun: the dental office was asked to agree to the cancellation."
    ]
    assert ended(client, case)[:2] == ("in-progress", "active")
    (request,) = requests_of(client, case)
    assert (request["status"], request["focus"], request["for"]) == ("requested", ref(case.task), ref(case.patient))
    assert request["owner"]["reference"].startswith("Organization/")
    assert case.send("progress", example("dental-office/progress")).status_code == 201


def test_asked_twice_is_one_request(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    case.sent("cancellation", ASKED)
    again = case.sent("cancellation", {**ASKED, "reason": "said otherwise"})
    assert "is open already" in again["notes"][0]
    assert len(requests_of(client, case)) == 1


def test_agreed_the_referral_is_cancelled_and_revoked_at_once(client: TestClient, tmp_path: Any) -> None:
    case = Case(client).fitted()
    case.sent("cancellation", ASKED)
    case.sent("cancellation-answer", AGREED)
    assert ended(client, case) == ("cancelled", "revoked", "closed")
    (request,) = requests_of(client, case)
    assert request["status"] == "completed"
    moments = {read(client, r)["meta"]["lastUpdated"] for r in (case.task, case.referral, f"Task/{request['id']}")}
    assert len(moments) == 1
    assert read(client, case.task)["statusReason"]["text"] == ASKED["reason"]
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


def test_declined_the_referral_goes_on_and_may_be_asked_for_again(client: TestClient, tmp_path: Any) -> None:
    case = Case(client).fitted()
    case.sent("cancellation", ASKED)
    told = case.sent("cancellation-answer", DECLINED)
    assert "asked on" not in told["why"]
    (request,) = requests_of(client, case)
    assert (request["status"], request["statusReason"]["text"]) == ("rejected", DECLINED["reason"])
    assert ended(client, case)[:2] == ("in-progress", "active")
    assert case.sent("cancellation-answer", DECLINED)["notes"] == ["The request to cancel was answered so already."]
    case.sent("cancellation", {**ASKED, "on": "2026-10-01"})
    assert [r["status"] for r in requests_of(client, case)].count("requested") == 1
    past = load(client.get(f"/cases/{case.number}/readiness?as_of=2026-09-20").text)
    assert "asked on 20 Sep 2026" in past["why"]
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


@pytest.mark.parametrize(
    ("body", "sentence", "place"),
    [
        ({"accept": False, "on": "2026-09-21"}, "A request to cancel is declined only with a reason.", "reason"),
        ({"accept": False, "on": "2027-01-01", "reason": "x"}, "lies in the future", "on"),
        ({"on": "2026-09-21"}, "«accept» is required.", "accept"),
    ],
)
def test_an_answer_that_cannot_be_taken_changes_nothing(
    client: TestClient, sqlite_pipeline: Pipeline, body: dict[str, Any], sentence: str, place: str
) -> None:
    case = Case(client).fitted()
    case.sent("cancellation", ASKED)
    before = row_counts(sqlite_pipeline)
    answer = case.send("cancellation-answer", body)
    assert answer.status_code in (400, 422)
    assert sentence in issues(answer)[0][1]
    assert issues(answer)[0][2] == place
    assert row_counts(sqlite_pipeline) == before


def test_an_answer_that_nobody_asked_for_is_422(client: TestClient) -> None:
    answer = Case(client).fitted().send("cancellation-answer", AGREED)
    assert answer.status_code == 422
    assert issues(answer)[0][:2] == ("business-rule", "No request to cancel is open on this case.")


@pytest.mark.parametrize(("end", "by"), [("completed", "referral-state"), ("failed", "referral-state")])
def test_a_referral_that_ends_otherwise_closes_the_request(
    client: TestClient, end: str, by: str, tmp_path: Any
) -> None:
    case = Case(client).fitted()
    case.sent("cancellation", ASKED)
    case.sent(by, {"state": end, "on": "2026-10-02", "reason": "x"})
    (request,) = requests_of(client, case)
    assert (request["status"], request["statusReason"]["text"]) == ("cancelled", f"The referral is {end}.")
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


def test_by_fhir_asked_and_agreed(client: TestClient, tmp_path: Any) -> None:
    case = Case(client).fitted()
    made = post(client, "/fhir/Task", abort(case))
    assert (made.status_code, made.headers["x-case-number"]) == (201, case.number)
    assert "(surgery instead)" in load(client.get(f"/cases/{case.number}").text)["why"]
    answer = answered(client, load(made.text), status="accepted")
    assert (answer.status_code, load(answer.text)["status"]) == (200, "completed")
    assert ended(client, case) == ("cancelled", "revoked", "closed")
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


def test_by_fhir_declined_only_with_a_reason(client: TestClient, tmp_path: Any) -> None:
    case = Case(client).fitted()
    request = load(post(client, "/fhir/Task", abort(case)).text)
    refused = answered(client, request, status="rejected")
    assert refused.status_code == 422
    assert any(place == "Task.statusReason" or "reason" in told for _, told, place in issues(refused))
    assert answered(client, request, status="rejected", statusReason={"text": "not now"}).status_code == 200
    assert ended(client, case)[:2] == ("in-progress", "active")
    check_whole(rows_of(f"sqlite:///{tmp_path}/relay.db"))


def test_a_request_before_work_began_says_what_to_do_instead(client: TestClient) -> None:
    case = Case(client)
    answer = post(client, "/fhir/Task", abort(case))
    assert answer.status_code == 422
    sentence = "The referral is «requested» and work has not begun: make its Task «cancelled»."
    assert issues(answer) == [("business-rule", sentence, "Task.focus")]


# a request to cancel: from, to, who may, by hand
ANSWERS = [
    ("requested", "received", Role.FULFILLER),
    ("requested", "accepted", Role.FULFILLER),
    ("requested", "rejected", Role.FULFILLER),
    ("requested", "cancelled", Role.PLACER),
    ("requested", "entered-in-error", Role.PLACER),
    ("requested", "completed", None),
]


@pytest.mark.parametrize("role", [Role.PLACER, Role.FULFILLER, Role.UNKNOWN], ids=lambda r: r.name)
@pytest.mark.parametrize(("start", "end", "holder"), ANSWERS)
def test_who_may_answer(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, start: str, end: str, holder: Role | None, role: Role
) -> None:
    case = Case(client).fitted()
    request = load(post(client, "/fhir/Task", abort(case)).text)
    monkeypatch.setattr("service.web.fhir_reply.sender_of", lambda _request: Sender(role))
    answer = answered(client, request, status=end, statusReason={"text": "x"})
    allowed = holder is not None and role in (holder, Role.UNKNOWN)
    assert answer.status_code == (200 if allowed else 422), answer.text
    if not allowed:
        assert f"«{start}» cannot be made «{end}» by the {role}." in issues(answer)[0][1]


def test_the_dental_office_does_not_ask_for_a_cancellation(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    case = Case(client).fitted()
    monkeypatch.setattr("service.web.fhir_reply.sender_of", lambda _request: Sender(Role.FULFILLER))
    assert post(client, "/fhir/Task", abort(case)).status_code == 422


def test_an_answer_leaves_what_was_asked_as_it_was(client: TestClient) -> None:
    case = Case(client).fitted()
    request = load(post(client, "/fhir/Task", abort(case)).text)
    answer = answered(client, request, status="accepted", reasonCode={"text": "another"})
    assert issues(answer) == [("business-rule", "An answer does not change «reasonCode».", "Task.reasonCode")]


def test_a_request_does_not_turn_into_another_task(client: TestClient) -> None:
    case = Case(client).fitted()
    request = load(post(client, "/fhir/Task", abort(case)).text)
    other = {"coding": [{"system": ABORT["coding"][0]["system"], "code": "suspend"}]}
    answer = answered(client, request, code=other)
    assert answer.status_code == 422
    assert "Task.code" in {path for _, _, path in issues(answer)}


def test_a_message_does_not_cancel_the_referral_it_opens(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    body = example("sleep-lab/referral-bundle")
    patient, order = body["entry"][0]["fullUrl"], "urn:uuid:00000000-0000-4000-8000-000000000001"
    body["entry"][-1]["fullUrl"] = order
    request = {**abort(Case(client)), "focus": ref(order), "for": ref(patient)}
    body["entry"].append({"resource": request, "request": {"method": "POST", "url": "Task"}})
    before = row_counts(sqlite_pipeline)
    assert post(client, "/fhir", body).status_code == 422
    assert row_counts(sqlite_pipeline) == before
