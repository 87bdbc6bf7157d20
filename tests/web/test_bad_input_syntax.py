"""Bodies that are no message at all, by plain intake and by FHIR: one clear answer, and nothing stored."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import write
from service.pipeline import Pipeline
from tests.web.messages import JSON, PATIENT, Case, assert_plain_words, example, issues, post, row_counts

ADDRESSES = ("/intake/cases/{}/progress", "/intake/referrals", "/fhir/Observation", "/fhir")
BODIES = [
    ("broken", b'{"a": ', "The body is not JSON: expecting value at line 1, column 7."),
    ("empty", b"", "The body is not JSON: expecting value at line 1, column 1."),
    ("trailing text", b"{} {}", "The body is not JSON: extra data at line 1, column 4."),
    ("control character", b'{"a": "\x01"}', "The body is not JSON: invalid control character at line 1, column 8."),
    ("not UTF-8", b'{"a": "\xff"}', "The body is not UTF-8 text (byte 7)."),
    ("duplicate key", b'{"a": {"b": 1, "b": 2}}', "The key «b» stands twice in one JSON object."),
    ("NaN", b'{"a": NaN}', "NaN is not a JSON number."),
    ("infinity", b'{"a": -Infinity}', "-Infinity is not a JSON number."),
    ("deep objects", b'{"a":' * 60 + b"1" + b"}" * 60, "The body is nested deeper than 40 levels."),
    ("very deep arrays", b"[" * 40_000, "The body is nested deeper than 40 levels."),
    ("array", b"[]", "The body is not a JSON object."),
    ("text", b'"a"', "The body is not a JSON object."),
    ("null", b"null", "The body is not a JSON object."),
    ("long number", b'{"a": ' + b"9" * 5000 + b"}", "The number 99999999999999999999 is too long or too large"),
    ("huge exponent", b'{"a": 1e999999}', "The number 1e999999 is too long or too large"),
    ("tiny exponent", b'{"a": 1e-999999}', "The number 1e-999999 is too long or too large"),
    ("null character", b'{"a": "x\\u0000"}', "The text holds a character that is none"),
    ("half a pair", b'{"a": ["\\ud800"]}', "The text holds a character that is none"),
]


@pytest.mark.parametrize("address", ADDRESSES)
@pytest.mark.parametrize(("body", "sentence"), [b[1:] for b in BODIES], ids=[b[0] for b in BODIES])
def test_a_body_that_is_no_json_object_is_400(
    client: TestClient, sqlite_pipeline: Pipeline, address: str, body: bytes, sentence: str
) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, address.format("AR-00000-00000"), body)
    assert answer.status_code == 400
    ((code, told, _),) = issues(answer)
    assert code == "structure"
    assert told.startswith(sentence)
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


def test_the_place_of_a_character_that_is_none_is_told(client: TestClient) -> None:
    answer = post(client, "/fhir/Patient", b'{"resourceType": "Patient", "name": [{"family": "a\\u0000"}]}')
    assert issues(answer)[0][2] == "Patient.name[0].family"


def test_a_pair_of_surrogates_is_a_character(client: TestClient) -> None:
    body = write({**PATIENT, "name": [{"family": "FACE"}]}).replace("FACE", "\\ud83d\\ude00")
    assert post(client, "/fhir/Patient", body).json()["name"][0]["family"] == "\U0001f600"


@pytest.mark.parametrize("media", ["text/plain", "application/xml", "", "application/fhir+xml; charset=utf-8"])
@pytest.mark.parametrize("address", ADDRESSES)
def test_another_media_type_is_415(client: TestClient, sqlite_pipeline: Pipeline, address: str, media: str) -> None:
    before = row_counts(sqlite_pipeline)
    answer = client.post(address.format("x"), content=b"{}", headers={"Content-Type": media} if media else {})
    assert answer.status_code == 415
    ((code, told, _),) = issues(answer)
    assert code == "not-supported"
    assert told == (f"The body must be application/json or application/fhir+json, not «{media.split(';')[0]}».")
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("address", ADDRESSES)
@pytest.mark.parametrize("declared", [True, False], ids=["declared", "undeclared"])
def test_a_body_of_30_mb_is_413(client: TestClient, sqlite_pipeline: Pipeline, address: str, declared: bool) -> None:
    def chunks() -> Iterator[bytes]:
        for _ in range(300):
            yield b" " * 100_000

    before = row_counts(sqlite_pipeline)
    body = b" " * 30_000_000 if declared else chunks()
    answer = client.post(address.format("x"), content=body, headers=JSON)
    assert answer.status_code == 413
    assert issues(answer) == [("too-long", "The body is larger than 5000000 bytes; send it in parts.", "")]
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize(
    ("method", "address"),
    [
        ("POST", "/fhir/Patient/1"),
        ("GET", "/fhir"),
        ("GET", "/intake/referrals"),
        ("PUT", "/intake/referrals"),
        ("POST", "/cases"),
        ("DELETE", "/cases/AR-00000-00000"),
    ],
)
def test_another_method_is_405_and_names_those_taken(client: TestClient, method: str, address: str) -> None:
    answer = client.request(method, address)
    assert answer.status_code == 405
    assert answer.headers["allow"]
    assert issues(answer) == [("not-supported", "This method is not taken at this address.", "")]


@pytest.mark.parametrize("address", ["/nothing", "/fhir/Patient/1/2/3", "/intake", "/intake/cases/x/y", "/cases/a/b"])
def test_an_unknown_address_is_404(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert issues(answer) == [("not-found", "There is nothing at this address.", "")]


@pytest.mark.parametrize(
    ("method", "address"),
    [
        ("GET", "/fhir/Medication/1"),
        ("GET", "/fhir/Medication?identifier=1"),
        ("GET", "/fhir/Medication/1/_history"),
        ("GET", "/fhir/Medication/1/_history/1"),
        ("POST", "/fhir/Medication"),
        ("POST", "/fhir/Medication/$validate"),
        ("PUT", "/fhir/Medication/1"),
    ],
)
def test_an_unknown_resource_type_is_404(client: TestClient, method: str, address: str) -> None:
    answer = client.request(method, address, content=b'{"resourceType": "Medication"}', headers=JSON)
    assert answer.status_code == 404
    assert issues(answer) == [("not-found", "«Medication» is not a resource type this service holds.", "")]


@pytest.mark.parametrize(
    "what",
    ["progress", "sleep-tests", "referral-state", "assessments", "appliances", "test-orders", "decisions"],
)
def test_an_unknown_case_is_404(client: TestClient, sqlite_pipeline: Pipeline, what: str) -> None:
    bodies = {
        "progress": example("dental-office/progress"),
        "sleep-tests": example("sleep-lab/efficacy-test"),
        "referral-state": example("dental-office/accept"),
        "assessments": example("dental-office/assessment"),
        "appliances": example("dental-office/appliance"),
        "test-orders": example("physician/test-order"),
        "decisions": example("physician/decision"),
    }
    before = row_counts(sqlite_pipeline)
    answer = post(client, f"/intake/cases/AR-00000-00000/{what}", bodies[what])
    assert answer.status_code == 404
    assert issues(answer) == [("not-found", "There is no case AR-00000-00000.", "")]
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("body", [{}, {"settings": []}, {"settings": [], "check_ins": []}])
def test_an_empty_message_is_refused(client: TestClient, body: dict[str, object]) -> None:
    answer = Case(client).send("progress", body)
    assert answer.status_code == 422
    assert issues(answer) == [("invalid", "The message is empty: it holds no entry.", "")]
