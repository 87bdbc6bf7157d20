"""Delete (https://hl7.org/fhir/R4/http.html#delete): gone, with its history; nothing clinical is lost."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.build import ref
from service.fhir.interactions import DELETABLE
from service.fhir.json_text import load
from service.fhir.validate import TYPES
from service.pipeline import Pipeline
from tests.web.messages import (
    Case,
    assert_plain_words,
    bundle_of,
    entry,
    issues,
    note,
    post,
    put,
    row_counts,
)


def made(client: TestClient, case: Case, number: str = "n-1") -> str:
    answer = post(client, "/fhir/Communication", note(case, number))
    assert answer.status_code == 201, answer.text
    return f"/fhir/Communication/{load(answer.text)['id']}"


def test_a_deleted_resource_is_410_and_its_versions_stay(client: TestClient) -> None:
    address = made(client, Case(client))
    before = client.get(address).text
    answer = client.delete(address)
    assert (answer.status_code, answer.content, answer.headers["etag"]) == (204, b"", 'W/"2"')
    gone = client.get(address)
    assert gone.status_code == 410
    ((code, told, _),) = issues(gone)
    assert code == "deleted"
    assert told.endswith("was deleted; earlier versions stand in its history.")
    assert client.get(f"{address}/_history/1").text == before
    assert client.get(f"{address}/_history/2").status_code == 410
    told = client.get(f"{address}/_history").json()
    assert [(e["request"]["method"], e["response"]["status"][:3]) for e in told["entry"]] == [
        ("DELETE", "204"),
        ("POST", "201"),
    ]
    assert "resource" not in told["entry"][0]
    assert "entry" not in client.get("/fhir/Communication?identifier=n-1").json()


def test_deleting_again_or_what_never_was_is_204_and_no_version(client: TestClient) -> None:
    address = made(client, Case(client))
    assert [client.delete(address).headers["etag"] for _ in range(3)] == ['W/"2"'] * 3
    never = client.delete("/fhir/Communication/never-was")
    assert never.status_code == 204
    assert "etag" not in never.headers
    assert client.get("/fhir/Communication/never-was").status_code == 404


def test_an_update_brings_it_back(client: TestClient) -> None:
    case = Case(client)
    address = made(client, case)
    client.delete(address)
    body = {**note(case, "n-1"), "id": address.rsplit("/", 1)[1]}
    assert put(client, address, body, **{"If-Match": 'W/"1"'}).status_code == 412
    back = put(client, address, body)
    assert (back.status_code, back.headers["etag"]) == (201, 'W/"3"')
    assert client.get(address).status_code == 200
    assert len(client.get("/fhir/Communication?identifier=n-1").json()["entry"]) == 1
    client.delete(address)
    assert put(client, address, body, **{"If-Match": 'W/"4"'}).headers["etag"] == 'W/"5"'


def test_the_identifier_of_a_deleted_resource_is_free(client: TestClient) -> None:
    case = Case(client)
    address = made(client, case)
    client.delete(address)
    other = made(client, case)
    assert other != address
    body = {**note(case, "n-1"), "id": address.rsplit("/", 1)[1]}
    answer = put(client, address, body)
    assert answer.status_code == 409
    sentence = f"The identifier n-1 belongs to {other.removeprefix('/fhir/')} already."
    assert issues(answer) == [("conflict", sentence, "Communication.identifier")]


def test_a_deletion_at_a_version(client: TestClient) -> None:
    address = made(client, Case(client))
    assert client.delete(address, headers={"If-Match": 'W/"7"'}).status_code == 412
    assert client.get(address).status_code == 200
    assert client.delete(address, headers={"If-Match": 'W/"1"'}).status_code == 204


def test_what_others_refer_to_is_not_deleted(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    address = made(client, case)
    reply = note(case, "n-2", inResponseTo=[ref(address.removeprefix("/fhir/"))])
    other = f"Communication/{load(post(client, '/fhir/Communication', reply).text)['id']}"
    before = row_counts(sqlite_pipeline)
    answer = client.delete(address)
    assert answer.status_code == 409
    sentence = f"{other} refers to {address.removeprefix('/fhir/')}; change that first."
    assert issues(answer) == [("conflict", sentence, "Communication")]
    assert row_counts(sqlite_pipeline) == before
    both = bundle_of("transaction", entry("DELETE", address[6:]), entry("DELETE", other))
    assert post(client, "/fhir", both).status_code == 200
    assert client.get(address).status_code == 410


def test_nothing_new_refers_to_what_is_deleted(client: TestClient) -> None:
    case = Case(client)
    address = made(client, case)
    client.delete(address)
    reply = note(case, "n-2", inResponseTo=[ref(address.removeprefix("/fhir/"))])
    answer = post(client, "/fhir/Communication", reply)
    assert answer.status_code == 422
    sentence = f"{address.removeprefix('/fhir/')} is deleted."
    assert issues(answer) == [("invalid", sentence, "Communication.inResponseTo[0].reference")]


@pytest.mark.parametrize("kind", sorted(set(TYPES) - DELETABLE))
def test_clinical_records_are_not_deleted(client: TestClient, sqlite_pipeline: Pipeline, kind: str) -> None:
    case = Case(client).fitted()
    held = client.get(f"/cases/{case.number}").json()["resources"]
    reference = next((r for r in held.values() if r.startswith(f"{kind}/")), f"{kind}/1")
    before = row_counts(sqlite_pipeline)
    answer = client.delete(f"/fhir/{reference}")
    assert answer.status_code == 405
    assert "DELETE" not in answer.headers["allow"]
    ((code, told, _),) = issues(answer)
    assert code == "not-supported"
    assert "cannot be deleted" in told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize(
    ("method", "address", "words"),
    [
        ("DELETE", "/fhir/Communication?identifier=n-1", "delete a resource by its id."),
        ("PATCH", "/fhir/Patient/1", "send the whole resource with PUT and If-Match."),
    ],
)
def test_a_method_that_is_not_taken_says_what_to_do(client: TestClient, method: str, address: str, words: str) -> None:
    answer = client.request(method, address, json=[{"op": "remove", "path": "/name"}])
    assert answer.status_code == 405
    assert method not in answer.headers["allow"]
    assert {"GET", "PUT"} <= set(answer.headers["allow"].split(", "))
    assert issues(answer)[0][1].endswith(words)


def test_nothing_is_deleted_from_a_referral_that_ended(client: TestClient) -> None:
    case = Case(client)
    address = made(client, case)
    case.sent("cancellation", {"on": "2026-08-10", "reason": "moved away"})
    assert client.delete(address).status_code == 409
    assert client.get(address).status_code == 200


def test_an_answer_in_words_when_asked_for(client: TestClient) -> None:
    answer = client.delete(made(client, Case(client)), headers={"Prefer": "return=OperationOutcome"})
    assert answer.status_code == 200
    assert issues(answer)[0][1].endswith("was deleted.")


def test_an_id_that_is_none_is_refused(client: TestClient) -> None:
    answer = client.delete("/fhir/Communication/a b")
    assert answer.status_code == 422
    assert issues(answer) == [("invalid", "An id has 1 to 64 letters, digits, hyphens and dots.", "Communication.id")]
