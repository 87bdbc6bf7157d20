"""Conditional create and update, update as create (https://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #upsert)."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.interactions import CLIENT_IDS
from service.fhir.json_text import load
from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES
from service.pipeline import Pipeline
from tests.web.messages import Case, assert_plain_words, issues, note, numbered, post, put, row_counts

BY_NUMBER = "identifier=https://x.example/numbers|7"
OFFICE = numbered("Organization", "7", active=True, name="Invented office")
TWO_SYSTEMS = [{"system": "https://x.example/numbers", "value": "8"}, {"system": "https://y.example", "value": "7"}]


def address_of(answer: object) -> str:
    return f"/fhir/Organization/{load(answer.text)['id']}"  # type: ignore[attr-defined]


@pytest.mark.parametrize("condition", [BY_NUMBER, "identifier=7", f"?{BY_NUMBER}", f"Organization?{BY_NUMBER}"])
def test_a_create_finds_what_is_there(client: TestClient, sqlite_pipeline: Pipeline, condition: str) -> None:
    first = post(client, "/fhir/Organization", OFFICE, **{"If-None-Exist": condition})
    before = row_counts(sqlite_pipeline)
    again = post(client, "/fhir/Organization", {**OFFICE, "name": "Other"}, **{"If-None-Exist": condition})
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.text == first.text
    assert again.headers["location"] == first.headers["location"]
    assert row_counts(sqlite_pipeline)["identity"] == before["identity"]


def test_a_create_finds_a_second_identifier(client: TestClient) -> None:
    first = post(client, "/fhir/Organization", {**OFFICE, "identifier": TWO_SYSTEMS})
    again = post(
        client,
        "/fhir/Organization",
        {**OFFICE, "identifier": TWO_SYSTEMS[1:]},
        **{"If-None-Exist": "identifier=https://y.example|7"},
    )
    assert (again.status_code, again.text) == (200, first.text)


@pytest.mark.parametrize("way", ["create", "update"])
def test_several_matches_are_412(client: TestClient, sqlite_pipeline: Pipeline, way: str) -> None:
    post(client, "/fhir/Organization", OFFICE)
    post(client, "/fhir/Organization", {**OFFICE, "identifier": TWO_SYSTEMS})
    before = row_counts(sqlite_pipeline)
    if way == "create":
        answer = post(client, "/fhir/Organization", OFFICE, **{"If-None-Exist": "identifier=7"})
    else:
        answer = put(client, "/fhir/Organization?identifier=7", OFFICE)
    assert answer.status_code == 412
    sentence = "Several Organization resources have the identifier 7; name its system as well."
    assert issues(answer) == [("multiple-matches", sentence, "Organization")]
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize(
    "condition",
    [
        "",
        "identifier=",
        "identifier=|7",
        "identifier=a|b|c",
        "identifier=" + "7" * 300,
    ],
)
def test_other_conditions_are_refused(client: TestClient, sqlite_pipeline: Pipeline, condition: str) -> None:
    before = row_counts(sqlite_pipeline)
    created = post(client, "/fhir/Organization", OFFICE, **{"If-None-Exist": condition})
    updated = put(client, f"/fhir/Organization?{condition}", OFFICE)
    for answer in (created, updated):
        assert answer.status_code == 422, answer.text
        assert issues(answer)[0][0] == "not-supported"
        assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("way", ["create", "update"])
def test_the_resource_carries_the_identifier_that_is_asked_for(client: TestClient, way: str) -> None:
    """Otherwise every repeat of the request would make another one."""
    other = "identifier=https://x.example/numbers|9"
    if way == "create":
        answer = post(client, "/fhir/Organization", OFFICE, **{"If-None-Exist": other})
    else:
        answer = put(client, f"/fhir/Organization?{other}", OFFICE)
    assert answer.status_code == 422
    assert issues(answer)[0][2] == "Organization.identifier"


def test_a_conditional_update_creates_then_updates(client: TestClient) -> None:
    address = f"/fhir/Organization?{BY_NUMBER}"
    first = put(client, address, OFFICE)
    second = put(client, address, {**OFFICE, "name": "Renamed"})
    assert [(a.status_code, a.headers["etag"]) for a in (first, second)] == [(201, 'W/"1"'), (200, 'W/"2"')]
    assert load(second.text)["id"] == load(first.text)["id"]
    same = put(client, address, {**OFFICE, "name": "Renamed"})
    assert (same.status_code, same.headers["etag"]) == (200, 'W/"2"')
    own = {**OFFICE, "id": load(first.text)["id"], "alias": ["Office"]}
    assert put(client, address, own, **{"If-Match": 'W/"1"'}).status_code == 412
    assert put(client, address, own, **{"If-Match": 'W/"2"'}).headers["etag"] == 'W/"3"'


def test_a_conditional_update_of_another_id_is_400(client: TestClient) -> None:
    made = load(put(client, f"/fhir/Organization?{BY_NUMBER}", OFFICE).text)
    answer = put(client, f"/fhir/Organization?{BY_NUMBER}", {**OFFICE, "id": "other"})
    assert answer.status_code == 400
    sentence = f"The Organization that has the identifier 7 is «{made['id']}», not «other»."
    assert issues(answer) == [("value", sentence, "Organization.id")]


def test_a_conditional_update_at_a_version_of_nothing_is_412(client: TestClient) -> None:
    assert put(client, f"/fhir/Organization?{BY_NUMBER}", OFFICE, **{"If-Match": 'W/"1"'}).status_code == 412


def test_a_conditional_update_of_nothing_takes_the_id_in_the_body(client: TestClient) -> None:
    answer = put(client, f"/fhir/Organization?{BY_NUMBER}", {**OFFICE, "id": "office-7"})
    assert (answer.status_code, load(answer.text)["id"]) == (201, "office-7")


def test_an_update_creates_where_clients_may_name_ids(client: TestClient) -> None:
    body = {**OFFICE, "id": "office-7"}
    first = put(client, "/fhir/Organization/office-7", body)
    assert first.status_code == 201
    assert first.headers["location"] == "http://127.0.0.1:8080/fhir/Organization/office-7/_history/1"
    again = put(client, "/fhir/Organization/office-7", body)
    assert again.status_code == 400
    assert issues(again)[0][0] == "required"
    found = post(client, "/fhir/Organization", OFFICE, **{"If-None-Exist": BY_NUMBER})
    assert (found.status_code, load(found.text)["id"]) == (200, "office-7")
    case = Case(client)
    kept = put(client, "/fhir/Communication/note-1", {**note(case, "1"), "id": "note-1"})
    assert (kept.status_code, kept.headers["x-case-number"]) == (201, case.number)


def test_one_identifier_never_belongs_to_two(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    made = load(post(client, "/fhir/Organization", OFFICE).text)
    before = row_counts(sqlite_pipeline)
    answer = put(client, "/fhir/Organization/office-7", {**OFFICE, "id": "office-7"})
    assert answer.status_code == 409
    sentence = f"The identifier 7 belongs to Organization/{made['id']} already."
    assert issues(answer) == [("conflict", sentence, "Organization.identifier")]
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("kind", sorted(set(TYPES) - CLIENT_IDS - MADE_BY_THE_SERVICE - {"Questionnaire"}))
def test_an_update_of_nothing_is_refused_elsewhere(client: TestClient, sqlite_pipeline: Pipeline, kind: str) -> None:
    """A minimal resource of each type; those that need more are refused for that first."""
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = put(client, f"/fhir/{kind}/mine", {**case.setting(), "resourceType": kind, "id": "mine"})
    assert answer.status_code in (405, 422)
    if kind == "Observation":
        assert answer.status_code == 405
        assert issues(answer)[0][1].endswith("The service names the ids of this type; create it by POST.")
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("name", ["a b", "x" * 65, "a_b", "ü"])
def test_an_id_that_is_none_is_refused(client: TestClient, name: str) -> None:
    answer = put(client, f"/fhir/Organization/{name}", {**OFFICE, "id": name})
    assert answer.status_code == 422


def _named(family: str, value: str = "1") -> dict:
    return {
        "resourceType": "Practitioner",
        "identifier": [{"system": "https://x.example/p", "value": value}],
        "name": [{"family": family}],
    }


def test_a_create_may_look_for_anything_that_is_searched_by(client: TestClient) -> None:
    condition = {"If-None-Exist": "family:exact=Invented&active:missing=true"}
    first = post(client, "/fhir/Practitioner", _named("Invented"), **condition)
    again = post(client, "/fhir/Practitioner", _named("Another", "2"), **condition)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.text == first.text
    other = post(client, "/fhir/Practitioner", _named("Another", "2"), **{"If-None-Exist": "family=Another"})
    assert other.status_code == 201


def test_an_update_may_look_for_anything_that_is_searched_by(client: TestClient) -> None:
    made = put(client, "/fhir/Practitioner?family=Invented", _named("Invented"))
    changed = put(client, "/fhir/Practitioner?family=Invented", {**_named("Invented"), "active": True})
    assert (made.status_code, changed.status_code) == (201, 200)
    assert load(changed.text)["id"] == load(made.text)["id"]
    assert changed.headers["etag"] == 'W/"2"'
    taken = put(client, "/fhir/Practitioner?family=Nobody", _named("Nobody"))
    assert taken.status_code == 409
    assert "belongs to" in issues(taken)[0][1]
    stale = put(client, "/fhir/Practitioner?family=Nobody", _named("Nobody", "3"), **{"If-Match": 'W/"1"'})
    assert (stale.status_code, issues(stale)[0][1]) == (
        412,
        "No Practitioner has what is asked for; there is no version 1 of it.",
    )


def test_a_reference_may_look_for_anything_that_is_searched_by(client: TestClient) -> None:
    case = Case(client)
    for family in ("Invented", "Twice", "Twice"):
        body = _named(family, str(len(client.get("/fhir/Practitioner?_count=200").json().get("entry", [])) + 10))
        assert post(client, "/fhir/Practitioner", body).status_code == 201
    for asked, status in (("Practitioner?family=Invented", 200), ("Practitioner?family=Twice", 412)):
        note_ = {**case.observation("molars", valueString=asked), "performer": [{"reference": asked}]}
        entry = {"resource": note_, "request": {"method": "POST", "url": "Observation"}}
        answer = post(client, "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
        assert answer.status_code == status, answer.text


@pytest.mark.parametrize(
    ("condition", "sentence"),
    [
        ("colour=red", "Practitioner is not searched by «colour»"),
        ("_count=1", "A condition says which resource is meant, not how it is shown."),
        ("name:contains", "name:contains"),
        ("_id:exact=1", "_id:exact"),
    ],
)
def test_a_condition_that_is_not_understood_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline, condition: str, sentence: str
) -> None:
    before = row_counts(sqlite_pipeline)
    created = post(client, "/fhir/Practitioner", _named("Invented"), **{"If-None-Exist": condition})
    updated = put(client, f"/fhir/Practitioner?{condition}", _named("Invented"))
    for answer in (created, updated):
        assert answer.status_code == 400, answer.text
        assert sentence in issues(answer)[0][1]
    assert row_counts(sqlite_pipeline) == before
