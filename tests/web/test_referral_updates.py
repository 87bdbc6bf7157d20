"""What a FHIR update may change of a referral's Task and ServiceRequest, in each role, and under which guards."""

from __future__ import annotations

from typing import Any

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.access.grant import OPEN, Grant, Office
from service.fhir.build import Resource, ref
from service.fhir.codes import local
from service.fhir.json_text import load
from service.fhir.referral_task import Role
from service.intake.sender import Sender
from service.rows import FULFILLER
from service.store import parties
from tests.web.audit_events import pipeline_of
from tests.web.messages import Case, example, issues, post, put, second_referral

NOTE = [{"text": "Impressions taken."}]


@pytest.fixture
def speak(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Lets the next FHIR requests come from a sender that access tokens would have told."""

    def as_sender(role: Role, organisation: str = "") -> None:
        grant = Grant("one", frozenset({Office.DENTAL_OFFICE}), organisation, OPEN.scopes) if organisation else OPEN
        monkeypatch.setattr("service.web.fhir_reply.sender_of", lambda _request: Sender(role, grant))

    return as_sender


def update(client: TestClient, reference: str, **changes: Any) -> Response:
    body = load(client.get(f"/fhir/{reference}").text)
    etag = f'W/"{body["meta"]["versionId"]}"'
    merged = {k: v for k, v in {**body, **changes}.items() if v is not None}
    return put(client, f"/fhir/{reference}", merged, **{"If-Match": etag})


def read(client: TestClient, reference: str) -> Resource:
    return load(client.get(f"/fhir/{reference}").text)


def output(reference: str) -> list[Resource]:
    return [{"type": {"text": "Summary"}, "valueReference": ref(reference)}]


def test_an_update_names_the_version_it_read(client: TestClient) -> None:
    case = Case(client)
    task = {**read(client, case.task), "status": "received"}
    assert put(client, f"/fhir/{case.task}", task).status_code == 400
    assert put(client, f"/fhir/{case.task}", task, **{"If-Match": 'W/"1"'}).status_code == 200
    assert put(client, f"/fhir/{case.task}", {**task, "status": "accepted"}, **{"If-Match": 'W/"1"'}).status_code == 412


CHANGES = [
    ("a note of the dental office", {"note": NOTE}, True),
    ("an output", {"output": [{"type": {"text": "Photograph"}, "valueString": "in the chart"}]}, True),
    ("a business status of its own", {"businessStatus": {"text": "impressions taken"}}, True),
    ("another owner", {"owner": None}, False),
    ("another priority", {"priority": "urgent"}, False),
    ("another description", {"description": "Treat soon."}, False),
]


@pytest.mark.parametrize("role", [Role.PLACER, Role.FULFILLER, Role.UNKNOWN], ids=lambda r: r.name)
@pytest.mark.parametrize(("comment", "change", "may"), CHANGES, ids=[c[0] for c in CHANGES])
def test_in_progress_only_three_things_change_and_by_the_dental_office(
    client: TestClient, speak: Any, comment: str, change: dict[str, Any], may: bool, role: Role
) -> None:
    case = Case(client).fitted()
    speak(role)
    answer = update(client, case.task, **change)
    allowed = may and role is not Role.PLACER
    assert answer.status_code == (200 if allowed else 422), answer.text
    if allowed:
        assert {k: read(client, case.task)[k] for k in change} == change


@pytest.mark.parametrize("role", list(Role), ids=lambda r: r.name)
@pytest.mark.parametrize("name", ["ready-for-retest", "retest-ordered"])
def test_a_client_sets_no_business_status_of_the_service(client: TestClient, speak: Any, name: str, role: Role) -> None:
    case = Case(client).fitted()
    speak(role)
    answer = update(client, case.task, businessStatus=local(name).concept)
    assert answer.status_code == 422
    told = [i for i in issues(answer) if i[2] == "Task.businessStatus"]
    assert f"«{name}» from «none» by the {role}" in told[0][1]


def test_another_dental_office_does_not_move_the_referral(client: TestClient, speak: Any) -> None:
    """For another office the referral is not here, whatever it knows of it."""
    case = Case(client)
    task = read(client, case.task)
    speak(Role.FULFILLER, "Organization/somewhere-else")
    told = []
    for body in ({**task, "status": "accepted"}, {**task, "id": "never-made", "status": "accepted"}):
        answer = put(client, f"/fhir/Task/{body['id']}", body, **{"If-Match": 'W/"1"'})
        told.append((answer.status_code, [sentence.replace(body["id"], "ID") for _, sentence, _ in issues(answer)]))
    assert told[0] == told[1]
    assert told[0][0] in (404, 412)
    own = task["owner"]["reference"]
    pipeline_of(client).database.write(lambda tx: parties.add(tx, case.number, {(own, FULFILLER)}))
    speak(Role.FULFILLER, own)
    assert update(client, case.task, status="accepted").status_code == 200


def test_work_begins_with_a_delivery_or_a_visit(client: TestClient) -> None:
    case = Case(client)
    case.sent("referral-state", example("dental-office/accept"))
    for answer in (
        update(client, case.task, status="in-progress"),
        case.send("referral-state", {"state": "in-progress", "on": "2026-09-01"}),
    ):
        assert answer.status_code == 422
        assert issues(answer)[0][1].startswith("Work begins with a delivered appliance or a visit")
    case.sent("visits", {"entry_id": "v1", "visited_on": "2026-09-01", "office": "dentist"})
    assert update(client, case.task, status="in-progress").status_code == 200


def test_a_visit_to_the_physician_does_not_begin_the_work(client: TestClient) -> None:
    case = Case(client)
    case.sent("referral-state", example("dental-office/accept"))
    case.sent("visits", {"entry_id": "v1", "visited_on": "2026-09-01", "office": "physician"})
    assert update(client, case.task, status="in-progress").status_code == 422


def test_completed_only_with_an_output_of_the_same_patient(client: TestClient) -> None:
    case, other = Case(client).fitted(), Case(client, second_referral())
    assert update(client, case.task, status="completed").status_code == 422
    wrong = update(client, case.task, status="completed", output=output(f"CarePlan/{other.number}"))
    assert wrong.status_code == 422
    assert update(client, case.task, status="completed", output=output(f"CarePlan/{case.number}")).status_code == 200


def test_a_cancelled_referral_is_revoked_with_it(client: TestClient) -> None:
    case = Case(client)
    assert update(client, case.task, status="cancelled").status_code == 200
    assert read(client, case.referral)["status"] == "revoked"


def test_a_cancellation_that_leaves_the_request_standing_is_refused(client: TestClient) -> None:
    case = Case(client)
    task, request = read(client, case.task), read(client, case.referral)

    def both(status: str) -> Response:
        changed = [{**task, "status": "cancelled"}, {**request, "status": status, "note": NOTE}]
        entries = [
            {
                "resource": body,
                "request": {"method": "PUT", "url": f"{body['resourceType']}/{body['id']}", "ifMatch": 'W/"1"'},
            }
            for body in changed
        ]
        return post(client, "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": entries})

    refused = both("active")
    assert refused.status_code == 422
    assert "is «revoked» in the same transaction" in issues(refused)[0][1]
    assert read(client, case.task)["status"] == "requested"
    assert both("revoked").status_code == 200
    assert read(client, case.referral)["meta"]["versionId"] == "2"


@pytest.mark.parametrize("role", [Role.PLACER, Role.FULFILLER, Role.UNKNOWN], ids=lambda r: r.name)
def test_nobody_but_its_author_edits_a_referral(client: TestClient, speak: Any, role: Role) -> None:
    case = Case(client)
    speak(role)
    answer = update(client, case.referral, note=NOTE)
    assert answer.status_code == (422 if role is Role.FULFILLER else 200)
    if role is Role.FULFILLER:
        assert issues(answer)[0][1].endswith("by its author, the physician's office, not by the dental office.")


def test_the_request_is_completed_after_the_dental_office_completed_its_task(client: TestClient) -> None:
    case = Case(client).fitted()
    early = update(client, case.referral, status="completed")
    assert early.status_code == 422
    assert issues(early)[0][1].endswith("The dental office completes the referral's Task first.")
    case.sent("referral-state", {"state": "completed", "on": "2026-10-02"})
    assert update(client, case.referral, status="completed").status_code == 200
    assert update(client, case.referral, status="active").status_code == 422


def test_a_dental_office_neither_refers_nor_orders_a_test(client: TestClient, speak: Any) -> None:
    case = Case(client).fitted()
    order = {k: v for k, v in read(client, case.referral).items() if k not in ("id", "meta", "identifier")}
    test = {**order, "code": local("efficacy-test").concept, "basedOn": [ref(case.referral)]}
    speak(Role.FULFILLER)
    assert post(client, "/fhir/ServiceRequest", test).status_code == 422
    refused = post(client, "/fhir", example("sleep-lab/referral-bundle"))
    assert refused.status_code == 422
    assert "not by the dental office" in issues(refused)[0][1]


@pytest.mark.parametrize("status", ["revoked", "on-hold", "entered-in-error", "draft"])
def test_a_request_does_not_leave_its_task_behind(client: TestClient, status: str) -> None:
    assert update(client, Case(client).referral, status=status).status_code == 422


def test_a_corrected_referral_keeps_the_state_of_its_request(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("referral-state", {"state": "completed", "on": "2026-10-02"})
    assert update(client, case.referral, status="completed").status_code == 200
    answer = post(client, "/intake/referrals", {**example("sleep-lab/referral"), "revision": 2, "note": "Corrected."})
    assert answer.status_code == 200
    held = read(client, case.referral)
    assert (held["status"], held["note"][0]["text"]) == ("completed", "Corrected.")


def test_a_referral_told_again_after_its_end_is_the_same_case(client: TestClient) -> None:
    case = Case(client)
    case.sent("cancellation", example("physician/cancellation"))
    again = post(client, "/intake/referrals", example("sleep-lab/referral"))
    assert (again.status_code, again.json()["case_number"]) == (200, case.number)
    assert read(client, case.referral)["status"] == "revoked"


def test_a_door_is_not_passed_in_the_other_offices_name(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.web.intake_api.sender_of", lambda _request, _role: Sender(Role.PLACER))
    answer = Case(client).send("referral-state", example("dental-office/accept"))
    assert answer.status_code == 422
    assert issues(answer)[0][1] == "This message is the dental office's, and the physician's office sent it."


def test_the_physicians_office_completes_its_referral_after_the_dental_office(client: TestClient) -> None:
    case = Case(client).fitted()
    early = case.send("completion", {"on": "2026-10-01"})
    assert early.status_code == 422
    assert "once the dental office has completed" in issues(early)[0][1]
    assert read(client, case.referral)["status"] == "active"
    case.sent("referral-state", {"state": "completed", "on": "2026-10-02"})
    for _ in range(2):
        case.sent("completion", example("physician/completion"))
        held = read(client, case.referral)
        assert (held["status"], held["meta"]["versionId"]) == ("completed", "2")
    assert client.get(f"/cases/{case.number}").json()["stage"] == "in-follow-up"
    late = case.send("completion", {"on": "2031-10-01"})
    assert (late.status_code, issues(late)[0][2]) == (422, "on")
