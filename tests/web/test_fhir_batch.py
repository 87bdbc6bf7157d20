"""Batches (https://hl7.org/fhir/R4/http.html#transaction): each entry on its own, its own outcome, in order."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import PATIENT, Case, bundle_of, entry, issues, note, numbered, post, row_counts

OFFICE = numbered("Organization", "7", active=True, name="Invented office")


def test_every_kind_of_entry_with_its_own_outcome(client: TestClient) -> None:
    case = Case(client)
    made = load(post(client, "/fhir/Communication", note(case, "n-1")).text)
    address = f"Communication/{made['id']}"
    batch = bundle_of(
        "batch",
        entry("POST", "Organization", OFFICE),
        entry("POST", "Organization", OFFICE, ifNoneExist="identifier=7"),
        entry("PUT", address, {**made, "note": [{"text": "read"}]}, ifMatch='W/"1"'),
        entry("PUT", address, {**made, "note": [{"text": "late"}]}, ifMatch='W/"1"'),
        entry("GET", address),
        entry("GET", address, ifNoneMatch='W/"2"'),
        entry("GET", f"{address}/_history/1"),
        entry("GET", "Organization?identifier=7"),
        entry("GET", f"{address}/_history"),
        entry("DELETE", address),
        entry("GET", address),
        entry("PUT", "Organization?identifier=7", {**OFFICE, "name": "Renamed"}),
        entry("PATCH", address),
        entry("DELETE", case.patient),
        entry("GET", "Patient/nobody"),
        entry("GET", "Medication/1"),
        entry("POST", "Patient", {**PATIENT, "gender": "x"}),
        entry("POST", "Patient"),
        {},
        entry("HEAD", case.patient),
    )
    answer = post(client, "/fhir", batch)
    assert answer.status_code == 200, answer.text
    told = load(answer.text)
    assert told["type"] == "batch-response"
    statuses = [e["response"]["status"] for e in told["entry"]]
    assert [s[:3] for s in statuses] == [
        *("201", "200", "200", "412", "200", "304", "200", "200", "200", "204", "410", "200"),
        *("405", "405", "404", "404", "422", "422", "422", "200"),
    ]
    assert statuses[0] == "201 Created"
    assert told["entry"][0]["response"]["location"].startswith("Organization/")
    assert told["entry"][4]["resource"]["note"] == [{"text": "read"}]
    assert told["entry"][4]["response"]["etag"] == 'W/"2"'
    assert "resource" not in told["entry"][5]
    assert told["entry"][6]["resource"] == made
    assert told["entry"][7]["resource"]["type"] == "searchset"
    assert told["entry"][8]["resource"]["type"] == "history"
    for one in told["entry"]:
        failed = int(one["response"]["status"][:3]) >= 400
        assert ("outcome" in one["response"]) == failed
    assert client.get("/fhir/Organization?identifier=7").json()["entry"][0]["resource"]["name"] == "Renamed"


def test_the_entries_of_a_batch_do_not_know_each_other(client: TestClient) -> None:
    case = Case(client)
    first = "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"
    reply = note(case, "2", inResponseTo=[{"reference": first}])
    batch = bundle_of(
        "batch",
        entry("POST", "Communication", note(case, "1"), first),
        entry("POST", "Communication", reply),
    )
    told = post(client, "/fhir", batch).json()["entry"]
    assert [e["response"]["status"][:3] for e in told] == ["201", "422"]
    assert "leads to nothing" in told[1]["response"]["outcome"]["issue"][0]["diagnostics"]


def test_every_entry_is_kept_as_a_message_of_its_own(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    before = row_counts(sqlite_pipeline)
    batch = bundle_of(
        "batch",
        *(
            entry("POST", "Patient", {**PATIENT, "identifier": [{"system": "urn:x", "value": str(n)}]})
            for n in range(3)
        ),
    )
    assert post(client, "/fhir", batch).status_code == 200
    assert row_counts(sqlite_pipeline)["message"] == before["message"] + 3


@pytest.mark.parametrize(("prefer", "shown"), [("", False), ("return=minimal", False), ("return=representation", True)])
def test_what_was_written_is_shown_when_preferred(client: TestClient, prefer: str, shown: bool) -> None:
    for kind in ("batch", "transaction"):
        body = bundle_of(kind, entry("POST", "Organization", OFFICE))
        told = post(client, "/fhir", body, Prefer=prefer).json()["entry"][0]
        assert ("resource" in told) == shown
        assert told["response"]["lastModified"] == "2026-11-20T09:00:00.000Z"


def test_an_outcome_is_given_when_preferred(client: TestClient) -> None:
    for kind, words in (("batch", "was created."), ("transaction", "is on record as it was.")):
        body = bundle_of(kind, entry("POST", "Organization", OFFICE))
        told = post(client, "/fhir", body, Prefer="return=OperationOutcome").json()["entry"][0]
        assert told["response"]["outcome"]["issue"][0]["diagnostics"].endswith(words)


@pytest.mark.parametrize("entries", [[], None, "x", {}])
def test_a_batch_without_entries_is_refused(client: TestClient, entries: object) -> None:
    answer = post(client, "/fhir", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    assert answer.status_code == 422
    assert issues(answer) == [("invalid", "The Bundle has no entries.", "Bundle.entry")]


def test_a_batch_of_more_than_500_entries_is_413(client: TestClient) -> None:
    answer = post(client, "/fhir", bundle_of("batch", *[entry("GET", "Patient/1")] * 501))
    assert answer.status_code == 413
    assert issues(answer) == [("too-long", "A Bundle may hold 500 entries.", "Bundle.entry")]
