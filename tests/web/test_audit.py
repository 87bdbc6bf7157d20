"""Every read and every write leaves one AuditEvent in the shape of IHE BALP; a refusal leaves one without leaking.

What each kind of event must hold is read from https://profiles.ihe.net/ITI/BALP/ (Read, Query, Create, Update, Delete
and their Patient variants).
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi import FastAPI, Request, Response
from starlette.testclient import TestClient

from service.access.grant import Grant, Office, scopes_of
from service.access.limits import MOST_FAILURES, SECONDS_PER_FAILURE
from service.app import build_app
from service.fhir.audit_event import Asker
from service.fhir.json_text import load, write
from service.fhir.validate import issues_of, validate
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.pipeline.access.asking import Seen, Told
from service.pipeline.read_audit import ReadAudit
from service.settings import Settings
from service.web.audit import AuditedRequests
from tests.conftest import Clock
from tests.outbound.asked import subscription
from tests.web.audit_events import data_of, event_of, events, patients_of, query_of, request_of, roles_of
from tests.web.messages import PATIENT, Case, example, note, post

FHIR = {"Content-Type": "application/fhir+json"}
NOT_AUDITED = {
    *("/health", "/livez", "/style.css", "/openapi.json", "/fhir/metadata"),
    *("/.well-known/smart-configuration", "/fhir/.well-known/smart-configuration"),
}
"""Addresses that show nothing of anybody."""


@pytest.fixture
def client(sqlite_pipeline: Pipeline) -> TestClient:
    settings = Settings(egress=Egress("127.0.0.1", on_loopback=True), delivers=False)
    return TestClient(build_app(settings, sqlite_pipeline), raise_server_exceptions=False)


@pytest.fixture
def case(client: TestClient) -> Case:
    return Case(client)


def read(client: TestClient, address: str, **headers: str) -> dict[str, Any]:
    """The AuditEvent of a GET that succeeds."""
    answer = client.get(address, headers=headers)
    assert answer.status_code in (200, 304), answer.text
    return event_of(client, answer.headers["x-request-id"])


def told(event: dict[str, Any]) -> tuple[str, str, str]:
    return event["subtype"][0]["code"], event["action"], event["outcome"]


@pytest.mark.parametrize(
    ("address", "code", "action"),
    [
        ("/fhir/CarePlan/{n}", "read", "R"),
        ("/fhir/CarePlan/{n}/_history/1", "vread", "R"),
        ("/fhir/CarePlan/{n}/_history", "history-instance", "R"),
        ("/fhir/CarePlan/{n}/$readiness", "operation", "E"),
        ("/fhir/CarePlan/{n}/$readiness?asOf=2026-11-01", "operation", "E"),
        ("/fhir/CarePlan/{n}/$letter", "operation", "E"),
        ("/fhir/{patient}/$everything", "operation", "E"),
        ("/fhir/Observation?patient={patient}", "search-type", "E"),
        ("/fhir/Task/_history", "history-type", "E"),
        ("/cases/{n}", "read", "R"),
        ("/cases/{n}/readiness", "read", "R"),
        ("/cases/{n}/messages", "read", "R"),
        ("/cases/{n}/page", "read", "R"),
    ],
)
def test_a_read_of_a_case_names_its_patient(
    client: TestClient, case: Case, address: str, code: str, action: str
) -> None:
    event = read(client, address.format(n=case.number, patient=case.patient))
    assert told(event) == (code, action, "0")
    assert patients_of(event) == [case.patient]
    assert validate(event) == []
    assert issues_of(event, profile=f"{event['meta']['profile'][0]}") == []
    source, destination = roles_of(event)["110153"], roles_of(event)["110152"]
    client_side, server = (destination, source) if action == "R" else (source, destination)
    assert client_side["network"] == {"address": "testclient", "type": "1"}
    assert (client_side["requestor"], server["requestor"]) == (True, False)
    assert server["who"] == event["source"]["observer"]
    if action == "R":
        assert len(data_of(event)) == 1


@pytest.mark.parametrize("address", ["/", "/cases?whose_move=dentist", "/fhir/Organization?name=zzz"])
def test_a_list_is_a_query_without_patient(client: TestClient, case: Case, address: str) -> None:
    event = read(client, address)
    assert told(event) == ("search-type", "E", "0")
    assert patients_of(event) == []
    assert query_of(event).endswith(address.removeprefix("/fhir/"))


def test_what_was_searched_stands_in_the_query_alone(client: TestClient, case: Case) -> None:
    event = read(client, "/fhir/Patient?name=Distinctive-Name&_count=3")
    assert query_of(event) == "Patient?name=Distinctive-Name&_count=3"
    assert "Distinctive" not in write(event)
    form = client.post(
        "/fhir/Patient/_search",
        content="name=Distinctive-Name",
        headers={"Content-Type": "application/x-www-form-urlencoded"},
    )
    assert query_of(event_of(client, form.headers["x-request-id"])) == "Patient?name=Distinctive-Name"


def test_a_version_that_the_client_holds_is_read_all_the_same(client: TestClient, case: Case) -> None:
    event = read(client, f"/fhir/{case.patient}", **{"If-None-Match": 'W/"1"'})
    assert data_of(event) == [f"{case.patient}/_history/1"]


def test_each_read_of_a_batch_leaves_its_own_event(client: TestClient, case: Case) -> None:
    entries = [{"request": {"method": "GET", "url": url}} for url in (case.patient, case.task, "Task/none")]
    answer = post(client, "/fhir", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    found = [e for e in events(client) if request_of(e) == answer.headers["x-request-id"]]
    assert [data_of(e)[0].split("/_history")[0] for e in found] == [case.patient, case.task]


def test_create_update_and_delete(client: TestClient, case: Case) -> None:
    organisation = {"resourceType": "Organization", "active": True, "name": "Invented Rooms"}
    made = post(client, "/fhir/Organization", organisation)
    created = event_of(client, made.headers["x-request-id"])
    address = made.headers["location"].split("/fhir/")[1].split("/_history")[0]
    changed = {**organisation, "id": address.split("/")[1], "name": "Other Rooms"}
    updated = client.put(f"/fhir/{address}", content=write(changed), headers={**FHIR, "If-Match": 'W/"1"'})
    assert updated.status_code == 200, updated.text
    update = event_of(client, updated.headers["x-request-id"])
    assert [told(created), told(update)] == [("create", "C", "0"), ("update", "U", "0")]
    assert [data_of(created), data_of(update)] == [[f"{address}/_history/1"], [f"{address}/_history/2"]]
    for event in (created, update):
        assert set(roles_of(event)) == {"110153", "110152"}
        assert validate(event) == []
    remark = post(client, "/fhir/Communication", note(case, "n-1")).json()["id"]
    deleted = event_of(client, client.delete(f"/fhir/Communication/{remark}").headers["x-request-id"])
    assert told(deleted) == ("delete", "D", "0")
    assert data_of(deleted) == [f"Communication/{remark}/_history/2"]
    assert patients_of(deleted) == [case.patient]
    assert set(roles_of(deleted)) == {"110150", "custodian"}
    assert validate(deleted) == []


def test_a_plain_message_names_what_it_is_first_and_its_patient(client: TestClient, case: Case) -> None:
    answer = case.send("referral-state", example("dental-office/accept"))
    event = event_of(client, answer.headers["x-request-id"])
    assert told(event) == ("create", "C", "0")
    assert len(data_of(event)) == 1
    assert patients_of(event) == [case.patient]
    assert len([e for e in event["entity"] if e["type"].get("system") == "http://hl7.org/fhir/resource-types"]) > 1


def test_a_repeat_that_changes_nothing_is_told(client: TestClient) -> None:
    organisation = {
        "resourceType": "Organization",
        "active": True,
        "name": "Invented Rooms",
        "identifier": [{"system": "https://x.example/o", "value": "1"}],
    }
    first = post(client, "/fhir/Organization", organisation)
    again = post(client, "/fhir/Organization", organisation)
    address = first.headers["location"].split("/fhir/")[1]
    assert data_of(event_of(client, first.headers["x-request-id"])) == [address]
    assert data_of(event_of(client, again.headers["x-request-id"])) == [address.split("/_history")[0]]


def test_subscriptions_and_their_events(client: TestClient, case: Case) -> None:
    made = post(client, "/fhir/Subscription", subscription())
    name = f"Subscription/{made.json()['id']}"
    assert told(event_of(client, made.headers["x-request-id"])) == ("create", "C", "0")
    assert data_of(read(client, f"/fhir/{name}")) == [name]
    assert told(read(client, f"/fhir/{name}/$events"))[0] == "operation"
    assert told(read(client, f"/fhir/{name}/$status"))[0] == "operation"
    assert query_of(read(client, "/fhir/Subscription?status=active")).endswith("?status=active")


def test_every_get_that_is_routed_is_audited(client: TestClient, case: Case) -> None:
    name = post(client, "/fhir/Subscription", subscription()).json()["id"]
    patient = case.patient.split("/")[1]
    filled = {"kind": "Patient", "version": "1", "case_number": case.number, "subscription_id": name}
    addresses: set[str] = set()
    assert isinstance(client.app, FastAPI)
    for path, methods in client.app.openapi()["paths"].items():
        if "get" in methods and path not in NOT_AUDITED:
            addresses.add(path.format(**filled, resource_id=patient))
    pages = {
        f"/cases/{case.number}/{p}" for p in ("page", "letter", "sheet", "letter.pdf", "sheet.pdf", "check-in-link")
    }
    for address in sorted(addresses | {"/"} | pages):
        read(client, address)
    assert len(addresses) > 10


def test_a_failed_read_leaves_nothing(client: TestClient, case: Case) -> None:
    before = len(events(client))
    for address in ("/fhir/Patient/none", "/cases/AR-NONE", "/fhir/Patient?name:odd=x", "/nowhere"):
        assert client.get(address).status_code >= 400
    assert len(events(client)) == before


WHOLE = scopes_of(["system/*.cruds"])
GRANT = Grant("lab-7", frozenset({Office.PHYSICIAN}), "Organization/lab", WHOLE, person="dr-invented")


class Given:
    """Stands where tokens are checked: a grant for every request, or a refusal."""

    def __init__(self, app: Any, grant: Grant | None = None, status: int = 0) -> None:
        self.app, self.grant, self.status = app, grant, status

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http" and self.grant is not None:
            scope.setdefault("state", {})["grant"] = self.grant
        if scope["type"] == "http" and self.status:
            await Response("refused", self.status)(scope, receive, send)
            return
        await self.app(scope, receive, send)


def given(pipeline: Pipeline, grant: Grant | None, status: int = 0) -> TestClient:
    """The application with a layer inside the audit that stands for access control."""
    app = build_app(Settings(), pipeline)
    app.user_middleware.append(type(app.user_middleware[0])(Given, grant=grant, status=status))
    return TestClient(app)


def test_client_organisation_and_person_stand_as_agents(sqlite_pipeline: Pipeline) -> None:
    client = given(sqlite_pipeline, GRANT)
    made = post(client, "/fhir/Patient", PATIENT)
    assert made.status_code == 201, made.text
    agents = roles_of(read(client, f"/fhir/Patient/{made.json()['id']}"))
    assert agents["110152"]["who"] == {"identifier": {"value": "lab-7"}, "reference": "Organization/lab"}
    assert agents["IRCP"]["who"] == {"identifier": {"value": "dr-invented"}}
    assert [a for a, held in agents.items() if held["requestor"]] == ["IRCP"]
    made = next(e for e in events(client) if e["action"] == "C")
    assert roles_of(made)["AUT"]["requestor"] is True
    assert validate(made) == []


@pytest.mark.parametrize(("status", "outcome"), [(401, "4"), (403, "8")])
def test_a_refusal_tells_what_was_asked_and_nothing_of_what_is_there(
    sqlite_pipeline: Pipeline, status: int, outcome: str
) -> None:
    client = given(sqlite_pipeline, GRANT if status == 403 else None, status)
    answer = client.get("/fhir/Patient?name=Asked")
    assert answer.status_code == status
    event = event_of(client, answer.headers["x-request-id"])
    assert event["outcome"] == outcome
    assert (data_of(event), patients_of(event)) == ([], [])
    assert query_of(event) == "GET /fhir/Patient?name=Asked"
    assert validate(event) == []


def test_who_is_refused_again_and_again_fills_no_audit(sqlite_pipeline: Pipeline, clock: Clock) -> None:
    client = given(sqlite_pipeline, None, 401)

    def told() -> list[str]:
        return [e["outcomeDesc"] for e in events(client) if "refused with 401" in e["outcomeDesc"]]

    assert [client.get("/cases").status_code for _ in range(MOST_FAILURES + 30)] == [401] * (MOST_FAILURES + 30)
    assert len(told()) == MOST_FAILURES
    clock.move(seconds=SECONDS_PER_FAILURE)
    client.get("/cases")
    assert len(told()) == MOST_FAILURES + 1
    assert sum("as were 30 before it from there that have no entry" in one for one in told()) == 1


def test_what_others_read_is_no_partys_case(client: TestClient, case: Case) -> None:
    event = read(client, f"/fhir/{case.patient}")
    everything = load(client.get(f"/fhir/{case.patient}/$everything?_count=200").text)
    assert event["id"] not in {e["resource"]["id"] for e in everything["entry"]}
    found = load(client.get(f"/fhir/AuditEvent?patient={case.patient}&_count=200").text)
    assert event["id"] in {e["resource"]["id"] for e in found["entry"]}


# --- the queue


def entry(number: str = "r") -> Told:
    return Told(Seen("read", "read by read", ("Task/1",)), Asker(address="192.0.2.7"), number, datetime.now(UTC))


def test_a_full_queue_makes_the_reader_wait_and_then_turns_it_away(
    sqlite_pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.web.audit._LONGEST_WAIT_S", 0.05)
    held = threading.Event()
    real = sqlite_pipeline._database.write

    def slow(work: Any) -> Any:
        held.wait(10)
        return real(work)

    queue = ReadAudit(sqlite_pipeline.database, most=2)
    monkeypatch.setattr(queue._database, "write", slow)
    app = FastAPI()

    @app.get("/cases/{number}")
    async def one(request: Request, number: str) -> Response:
        from service.web.audit import note_case

        note_case(request, number)
        return Response("secret")

    app.add_middleware(AuditedRequests, put=queue.put, now=lambda: datetime.now(UTC))
    client = TestClient(app)
    answers = [client.get(f"/cases/{n}") for n in range(3)]
    assert [a.status_code for a in answers] == [200, 200, 503]
    assert "secret" not in answers[2].text
    held.set()
    assert queue.flush(10)
    assert client.get("/cases/4").status_code == 200
    queue.close()


def test_entries_outlive_a_database_that_fails_for_a_while(
    sqlite_pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue, failures = ReadAudit(sqlite_pipeline.database), [OSError("x"), OSError("x")]
    real = queue._database.write

    def failing(work: Any) -> Any:
        if failures:
            raise failures.pop()
        return real(work)

    monkeypatch.setattr(queue._database, "write", failing)
    assert queue.put([entry("kept-one"), entry("kept-two")])
    assert queue.flush(10)
    assert not failures
    client = TestClient(build_app(Settings(), sqlite_pipeline))
    assert {"kept-one", "kept-two"} <= {request_of(e) for e in events(client)}
    queue.close()


def test_closing_writes_what_waits(sqlite_pipeline: Pipeline) -> None:
    queue = ReadAudit(sqlite_pipeline.database)
    queue.put([entry(f"last-{n}") for n in range(500)])
    queue.close()
    client = TestClient(build_app(Settings(), sqlite_pipeline))
    assert len([e for e in events(client) if request_of(e).startswith("last-")]) == 500
