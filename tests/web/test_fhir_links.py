"""References in transactions (https://hl7.org/fhir/R4/http.html#trules): every form, every order, conditions, reads."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.build import Resource, ref
from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import Case, bundle_of, entry, issues, note, numbered, post, put, row_counts

BASE = "http://127.0.0.1:8080/fhir"
OFFICE = numbered("Organization", "7", active=True, name="Invented office")
UUID = "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"
OTHER = "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b02"


def role(office: str, **elements: Any) -> Resource:
    return numbered("PractitionerRole", "r-1", active=True, organization=ref(office), **elements)


def read_back(client: TestClient, answer: Any, place: int) -> Resource:
    assert answer.status_code == 200, answer.text
    location = load(answer.text)["entry"][place]["response"]["location"]
    return load(client.get(f"/fhir/{location}").text)


@pytest.mark.parametrize(
    ("full_url", "reference", "own"),
    [
        (UUID, UUID, ""),
        ("urn:oid:1.2.3", "urn:oid:1.2.3", ""),
        ("https://other.example/base/Organization/9", "https://other.example/base/Organization/9", ""),
        (
            "https://other.example/base/Organization/9",
            "Organization/9",
            "https://other.example/base/PractitionerRole/1",
        ),
        (f"{BASE}/Organization/9", "Organization/9", f"{BASE}/PractitionerRole/1"),
        (f"{BASE}/Organization/9", f"{BASE}/Organization/9", UUID),
        ("Organization/9", "Organization/9", ""),
    ],
)
@pytest.mark.parametrize("order", [1, -1], ids=["after", "before"])
def test_every_form_of_reference_to_an_entry(
    client: TestClient, full_url: str, reference: str, own: str, order: int
) -> None:
    entries = [entry("POST", "Organization", OFFICE, full_url), entry("POST", "PractitionerRole", role(reference), own)]
    answer = post(client, "/fhir", bundle_of("transaction", *entries[::order]))
    office, told = (read_back(client, answer, place) for place in ((0, 1) if order == 1 else (1, 0)))
    assert told["organization"] == ref(f"Organization/{office['id']}")


def test_a_reference_to_a_version_stays_one_and_leads_to_the_right_version(client: TestClient) -> None:
    """The number a client writes is of no meaning for an entry that is created."""
    extension = {"url": "https://x.example/extension", "valueReference": ref(f"{UUID}/_history/9")}
    body = bundle_of(
        "transaction",
        entry("POST", "Organization", OFFICE, UUID),
        entry("POST", "PractitionerRole", role(UUID, extension=[extension])),
    )
    answer = post(client, "/fhir", body)
    office, told = read_back(client, answer, 0), read_back(client, answer, 1)
    assert told["extension"][0]["valueReference"] == ref(f"Organization/{office['id']}/_history/1")
    put(client, f"/fhir/Organization/{office['id']}", {**office, "name": "Renamed"}, **{"If-Match": 'W/"1"'})
    body["entry"] = [
        entry("PUT", "Organization?identifier=7", {**OFFICE, "name": "Again"}, UUID),
        entry(
            "POST",
            "PractitionerRole",
            {**role(UUID, extension=[extension]), "identifier": [{"system": "urn:x", "value": "2"}]},
        ),
    ]
    assert read_back(client, post(client, "/fhir", body), 1)["extension"][0]["valueReference"]["reference"].endswith(
        "/_history/3"
    )


def test_links_in_uris_and_in_the_narrative_are_addresses_of_this_server(client: TestClient) -> None:
    case = Case(client)
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{UUID}#x">the first</a></div>'
    second = note(
        case,
        "2",
        text={"status": "additional", "div": div},
        extension=[{"url": "https://x.example/extension", "valueUri": UUID}],
        instantiatesCanonical=[UUID],
        payload=[{"contentAttachment": {"url": UUID}}],
        note=[{"text": UUID}],
    )
    second["identifier"].append({"system": "urn:ietf:rfc:3986", "value": UUID})
    body = bundle_of(
        "transaction", entry("POST", "Communication", note(case, "1"), UUID), entry("POST", "Communication", second)
    )
    answer = post(client, "/fhir", body)
    address = f"{BASE}/Communication/{read_back(client, answer, 0)['id']}"
    told = read_back(client, answer, 1)
    assert f'<a href="{address}#x">' in told["text"]["div"]
    assert told["extension"][0]["valueUri"] == told["payload"][0]["contentAttachment"]["url"] == address
    assert told["instantiatesCanonical"] == [UUID]
    assert told["note"][0]["text"] == told["identifier"][1]["value"] == UUID


def test_an_address_of_this_server_is_kept_as_a_relative_one(client: TestClient) -> None:
    office = load(post(client, "/fhir/Organization", OFFICE).text)
    told = load(post(client, "/fhir/PractitionerRole", role(f"{BASE}/Organization/{office['id']}")).text)
    assert told["organization"] == ref(f"Organization/{office['id']}")


@pytest.mark.parametrize("inside", [True, False])
def test_a_conditional_reference_finds_an_entry_or_what_is_stored(client: TestClient, inside: bool) -> None:
    entries = [entry("POST", "PractitionerRole", role("Organization?identifier=https://x.example/numbers|7"))]
    if inside:
        entries.append(entry("POST", "Organization", OFFICE))
    else:
        post(client, "/fhir/Organization", OFFICE)
    told = read_back(client, post(client, "/fhir", bundle_of("transaction", *entries)), 0)
    found = client.get("/fhir/Organization?identifier=7").json()["entry"][0]["resource"]["id"]
    assert told["organization"] == ref(f"Organization/{found}")


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ("Organization?identifier=nowhere", 404, "not-found"),
        ("Organization?identifier=7", 412, "multiple-matches"),
        ("Organization?name=x", 404, "not-found"),
        ("Organization?colour=red", 400, "invalid"),
    ],
)
def test_a_conditional_reference_that_finds_none_or_several_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline, query: str, status: int, code: str
) -> None:
    post(client, "/fhir/Organization", OFFICE)
    post(client, "/fhir/Organization", {**OFFICE, "identifier": [{"system": "urn:y", "value": "7"}]})
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", bundle_of("transaction", entry("POST", "PractitionerRole", role(query))))
    assert answer.status_code == status
    ((told, _, place),) = issues(answer)
    assert (told, place) == (code, "Bundle.entry[0].resource.organization.reference")
    assert row_counts(sqlite_pipeline) == before


def test_deletions_come_first_then_creations_updates_and_reads(client: TestClient) -> None:
    case = Case(client)
    first, second = (load(post(client, "/fhir/Communication", note(case, n)).text) for n in ("1", "2"))
    answer = post(
        client,
        "/fhir",
        bundle_of(
            "transaction",
            entry("GET", f"Communication/{second['id']}"),
            entry("GET", "Communication?identifier=3"),
            entry("PUT", f"Communication/{second['id']}", {**second, "note": [{"text": "read"}]}, ifMatch='W/"1"'),
            entry("POST", "Communication", note(case, "1"), ifNoneExist="identifier=1"),
            entry("POST", "Communication", note(case, "3")),
            entry("DELETE", f"Communication/{first['id']}"),
            entry("GET", f"Communication/{second['id']}", ifNoneMatch='W/"2"'),
        ),
    )
    assert answer.status_code == 200, answer.text
    told = load(answer.text)["entry"]
    statuses = [e["response"]["status"] for e in told]
    assert statuses == [
        "200 OK",
        "200 OK",
        "200 OK",
        "201 Created",
        "201 Created",
        "204 No Content",
        "304 Not Modified",
    ]
    assert told[0]["resource"]["note"] == [{"text": "read"}]
    assert len(told[1]["resource"]["entry"]) == 1
    assert client.get(f"/fhir/Communication/{first['id']}").status_code == 410


def test_a_read_that_cannot_be_answered_refuses_all(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    before = row_counts(sqlite_pipeline)
    body = bundle_of("transaction", entry("POST", "Organization", OFFICE), entry("GET", "Patient/nobody"))
    answer = post(client, "/fhir", body)
    assert answer.status_code == 404
    assert issues(answer) == [("not-found", "Patient/nobody is not here.", "Bundle.entry[1]")]
    assert row_counts(sqlite_pipeline) == before


def test_a_transaction_of_reads_alone_writes_nothing(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", bundle_of("transaction", entry("GET", case.patient), entry("GET", case.referral)))
    assert [e["resource"]["resourceType"] for e in answer.json()["entry"]] == ["Patient", "ServiceRequest"]
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("way", ["two puts", "put and delete", "by identifier", "one address"])
def test_two_entries_that_are_one_resource_are_refused(client: TestClient, sqlite_pipeline: Pipeline, way: str) -> None:
    case = Case(client)
    made = load(post(client, "/fhir/Communication", note(case, "1")).text)
    address = f"Communication/{made['id']}"
    update = entry("PUT", address, {**made, "note": [{"text": "a"}]}, ifMatch='W/"1"')
    entries = {
        "two puts": [update, {**update, "resource": {**made, "note": [{"text": "b"}]}}],
        "put and delete": [update, entry("DELETE", address)],
        "by identifier": [
            entry("DELETE", address),
            entry("PUT", "Communication?identifier=5", note(case, "5")),
            entry("POST", "Communication", note(case, "5")),
        ],
        "one address": [
            entry("POST", "Communication", note(case, "2"), UUID),
            entry("POST", "Communication", note(case, "3"), UUID),
        ],
    }[way]
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", bundle_of("transaction", *entries))
    assert answer.status_code == 422
    assert issues(answer)[0][1].endswith(("send it once.", "Another entry has this address."))
    assert row_counts(sqlite_pipeline) == before


def test_an_entry_found_by_a_second_identifier_is_one_with_its_own_update(client: TestClient) -> None:
    both = [*OFFICE["identifier"], {"system": "urn:y", "value": "8"}]
    made = load(post(client, "/fhir/Organization", {**OFFICE, "identifier": both}).text)
    body = bundle_of(
        "transaction",
        entry("PUT", f"Organization/{made['id']}", {**made, "name": "Renamed"}, ifMatch='W/"1"'),
        entry("POST", "Organization", {**OFFICE, "identifier": both[1:]}, ifNoneExist="identifier=urn:y|8"),
    )
    answer = post(client, "/fhir", body)
    assert answer.status_code == 422
    assert "send it once." in issues(answer)[0][1]
