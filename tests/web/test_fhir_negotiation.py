"""Media types, `_format`, Prefer, conditional reads, HEAD, limits (https://hl7.org/fhir/R4/http.html#mime-type)."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from tests.web.messages import PATIENT, assert_plain_words, issues, post, put, row_counts

FHIR, PLAIN = "application/fhir+json; charset=utf-8", "application/json; charset=utf-8"


def made(client: TestClient) -> str:
    return f"/fhir/Patient/{load(post(client, '/fhir/Patient', PATIENT).text)['id']}"


@pytest.mark.parametrize(
    ("query", "accept", "media"),
    [
        ("", "", FHIR),
        ("", "*/*", FHIR),
        ("", "application/fhir+json", FHIR),
        ("", "application/fhir+json; fhirVersion=4.0", FHIR),
        ("", "application/json", PLAIN),
        ("", "text/html, application/*;q=0.8", FHIR),
        ("", "application/fhir+xml;q=1, application/json;q=0.5, application/fhir+json;q=0.4", PLAIN),
        ("?_format=json", "application/fhir+xml", FHIR),
        ("?_format=application/fhir%2Bjson", "", FHIR),
        ("?_format=application/fhir+json", "", FHIR),
        ("?_format=application/json", "", PLAIN),
        ("?_format=text/json", "", PLAIN),
    ],
)
def test_the_media_type_of_the_answer(client: TestClient, query: str, accept: str, media: str) -> None:
    answer = client.get(f"{made(client)}{query}", headers={"Accept": accept} if accept else {})
    assert (answer.status_code, answer.headers["content-type"]) == (200, media)


@pytest.mark.parametrize(
    ("query", "accept"),
    [
        ("?_format=xml", ""),
        ("?_format=application/fhir%2Bxml", ""),
        ("?_format=ttl", "application/json"),
        ("?_format=json;fhirVersion=3.0", ""),
        ("", "application/fhir+xml"),
        ("", "text/html"),
        ("", "application/fhir+json; fhirVersion=3.0"),
        ("", "application/json;q=0"),
        ("", "application/json;q=x"),
    ],
)
@pytest.mark.parametrize("way", ["GET", "POST"])
def test_an_answer_that_is_not_made_here_is_406(
    client: TestClient, sqlite_pipeline: Pipeline, query: str, accept: str, way: str
) -> None:
    before = row_counts(sqlite_pipeline)
    headers = {"Accept": accept or "*/*", "Content-Type": "application/json"}
    address = "/fhir/metadata" if way == "GET" else "/fhir/Patient"
    answer = client.request(
        way, f"{address}{query}", headers=headers, content=write(PATIENT) if way == "POST" else None
    )
    assert answer.status_code == 406
    assert issues(answer)[0][0] == "not-supported"
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize(
    ("media", "status"),
    [
        ("application/fhir+json; fhirVersion=4.0", 201),
        ("application/fhir+json;charset=UTF-8", 201),
        ("application/json; charset=latin-1", 415),
        ("application/fhir+json; fhirVersion=3.0", 415),
        ("application/json-patch+json", 415),
    ],
)
def test_the_media_type_of_a_body(client: TestClient, media: str, status: int) -> None:
    answer = client.post("/fhir/Patient", content=write(PATIENT), headers={"Content-Type": media})
    assert answer.status_code == status
    if status == 415:
        assert_plain_words(answer)


def test_pretty_has_line_breaks_and_the_same_digits(client: TestClient) -> None:
    address = made(client)
    assert "\n" in client.get(f"{address}?_pretty=true").text
    assert client.get(f"{address}?_pretty=true").json() == client.get(address).json()


def test_a_read_says_when_the_version_was_made(client: TestClient) -> None:
    address = made(client)
    assert client.get(address).headers["last-modified"] == "Fri, 20 Nov 2026 09:00:00 GMT"
    for since, status in (
        ("Fri, 20 Nov 2026 09:00:00 GMT", 304),
        ("Sat, 21 Nov 2026 09:00:00 GMT", 304),
        ("Fri, 20 Nov 2026 08:59:59 GMT", 200),
        ("2026-11-20T10:00:00+01:00", 304),
        ("nonsense", 200),
        ("Fri, 99 Nov 2026 08:59:59 GMT", 200),
        ("Fri, 20 Nov 99999999999 08:59:59 GMT", 200),
    ):
        for place in (address, f"{address}/_history/1"):
            answer = client.get(place, headers={"If-Modified-Since": since})
            assert answer.status_code == status, since
    both = {"If-Modified-Since": "Sat, 21 Nov 2026 09:00:00 GMT", "If-None-Match": 'W/"9"'}
    assert client.get(address, headers=both).status_code == 200


def test_head_is_a_get_without_its_body(client: TestClient) -> None:
    address = made(client)
    for place in (address, f"{address}/_history/1", "/fhir/metadata"):
        got, headed = client.get(place), client.head(place)
        assert (headed.status_code, headed.content) == (200, b"")
        assert headed.headers["content-length"] == got.headers["content-length"]
        assert headed.headers.get("etag") == got.headers.get("etag")
    assert client.head("/fhir/Patient/nobody").status_code == 404


def test_prefer_of_single_writes(client: TestClient) -> None:
    minimal = post(client, "/fhir/Patient", PATIENT, Prefer="return=minimal")
    assert (minimal.status_code, minimal.content) == (201, b"")
    assert minimal.headers["etag"] == 'W/"1"'
    address = minimal.headers["location"].split("/_history")[0].removeprefix("http://127.0.0.1:8080")
    body = load(client.get(address).text)
    told = put(client, address, body, **{"If-Match": 'W/"1"', "Prefer": "return=OperationOutcome, handling=strict"})
    assert told.status_code == 200
    assert issues(told)[0][1].endswith("is on record as it was.")
    shown = put(client, address, body, **{"If-Match": 'W/"1"', "Prefer": "return=representation; handling=lenient"})
    assert load(shown.text) == body


def test_a_text_longer_than_a_string_may_be_is_422(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    """https://hl7.org/fhir/R4/datatypes.html#string: at most 1 MB."""
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Patient", {**PATIENT, "name": [{"family": "x" * (1024 * 1024 + 1)}]})
    assert answer.status_code == 422
    assert issues(answer)[0][2] == "Patient.name[0].family"
    assert row_counts(sqlite_pipeline) == before
