"""Asking for what is another office's, and for tokens, leaves an audit entry, and nobody can fill the audit by it.

https://profiles.ihe.net/ITI/BALP/; how many entries are kept is our own choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import write
from service.fhir.validate import validate
from service.pipeline import Pipeline
from tests.access.clients import TestedClient, bearer, register, served
from tests.access.world import World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.audit_events import event_of, events, query_of, request_of


@pytest.fixture
def told(tmp_path: Path, clock: Clock) -> Iterator[World]:
    with world(f"sqlite:///{tmp_path}/relay.db", clock, PARTITIONS) as made:
        yield made


def _client(told: World) -> TestClient:
    app = told.grants.app
    return TestClient(app)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("method", "path", "place"),
    [
        ("GET", "/cases/{case}", "/cases/{case_number}"),
        ("GET", "/fhir/{patient}", "/fhir/{kind}/{resource_id}"),
        ("GET", "/cases/{case}/page", "/cases/{case_number}/page"),
        ("POST", "/intake/cases/{case}/progress", "/intake/cases/{case_number}/progress"),
    ],
)
def test_a_probe_of_another_offices_case_is_told_to_the_audit(told: World, method: str, path: str, place: str) -> None:
    there = told.there
    asked = path.format(case=there.case, patient=there.links["patient"])
    body = {"check_ins": [{"entry_id": "c1", "reported_on": "2026-11-18", "reported_by": "patient"}]}
    answer = told.ask(told.here.dentist, method, asked, body if method == "POST" else None)
    assert answer.status_code == 404, answer.text
    event = event_of(_client(told), answer.headers["x-request-id"])
    assert event["outcome"] == "4"
    assert event["outcomeDesc"] == f"refused with 404 at {place}"
    assert query_of(event) == f"{method} {asked}"
    assert told.here.dentist in [a["who"].get("identifier", {}).get("value") for a in event["agent"]]
    assert validate(event) == []
    assert not [e for e in event["entity"] if e["type"]["code"] == "1"]


def test_a_probe_inside_a_batch_is_told_as_well(told: World) -> None:
    entries = [{"request": {"method": "GET", "url": told.there.links["patient"]}}]
    answer = told.ask(told.here.dentist, "POST", "/fhir", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    event = event_of(_client(told), answer.headers["x-request-id"])
    assert (event["outcome"], query_of(event)) == ("4", f"GET {told.there.links['patient']}")


def test_who_keeps_probing_is_counted(told: World, clock: Clock) -> None:
    answers = [told.ask(told.here.dentist, "GET", f"/cases/AR-{n:05}-00000") for n in range(40)]
    numbers = {a.headers["x-request-id"] for a in answers}
    assert len([e for e in events(_client(told)) if request_of(e) in numbers]) == 20
    clock.move(seconds=4)
    last = told.ask(told.here.dentist, "GET", "/cases/AR-99999-00000")
    assert "as were 20 before it" in event_of(_client(told), last.headers["x-request-id"])["outcomeDesc"]


@pytest.fixture
def service(sqlite_pipeline: Pipeline, tmp_path: Path) -> Iterator[TestClient]:
    with served(sqlite_pipeline, tmp_path) as client:
        yield client


@pytest.fixture
def asking(sqlite_pipeline: Pipeline) -> TestedClient:
    return register(sqlite_pipeline)


def test_a_token_issued_and_one_refused_are_told_without_secrets(service: TestClient, asking: TestedClient) -> None:
    form = asking.form()
    good = service.post("/token", data=form)
    token = good.json()["access_token"]
    event = event_of(service, good.headers["x-request-id"])
    assert (event["subtype"][0]["code"], event["outcome"]) == ("110122", "0")
    assert event["outcomeDesc"].startswith("token issued for system/")
    assert asking.id in [a["who"].get("identifier", {}).get("value") for a in event["agent"]]
    bad = service.post("/token", data=asking.form("x.y.z"))
    refused = event_of(service, bad.headers["x-request-id"])
    assert (refused["outcome"], refused["outcomeDesc"]) == ("4", "refused: invalid_client")
    again = service.post("/token", data=form)
    assert event_of(service, again.headers["x-request-id"])["outcome"] == "4"
    kept = write(events(service))
    assert token not in kept and form["client_assertion"] not in kept
    assert service.get("/fhir/Task", headers=bearer(token)).status_code == 200


def test_refused_tokens_do_not_fill_the_audit(service: TestClient, asking: TestedClient) -> None:
    for _ in range(40):
        service.post("/token", data={"grant_type": "client_credentials"})
    assert len([e for e in events(service) if e["outcome"] == "4"]) == 20


def test_who_is_known_and_who_is_not_are_answered_alike(service: TestClient, asking: TestedClient) -> None:
    """One client that is registered and a name that is not, each with a key that is not theirs."""
    stranger = TestedClient("nobody-here", asking.key, asking.now_s)
    other = register(service.app.state.pipeline)  # type: ignore[attr-defined]
    guess = TestedClient(other.id, asking.key, asking.now_s)
    for changes in ({}, {"aud": "https://x.example/"}, {"exp": 1}, {"jti": None}):
        for path in ("/token", "/revoke", "/introspect"):
            answers = [
                service.post(path, data={**who.form(who.assertion(**changes)), "token": "x"})
                for who in (guess, stranger)
            ]
            told = [(a.status_code, a.content, a.headers.get("www-authenticate")) for a in answers]
            assert told[0] == told[1], (path, changes)
