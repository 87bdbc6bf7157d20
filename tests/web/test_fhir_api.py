"""The FHIR interactions, a success and a failure of each (https://hl7.org/fhir/R4/http.html)."""

from __future__ import annotations

from decimal import Decimal

import pytest
from starlette.testclient import TestClient

from service.fhir.build import Resource, ref
from service.fhir.interactions import DELETABLE
from service.fhir.json_text import load
from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES, validate
from service.pipeline import Pipeline
from tests.web.messages import PATIENT, Case, assert_plain_words, example, issues, post, put, row_counts

BY_NUMBER = "identifier=https://x.example/patients|7"


def capability(client: TestClient) -> Resource:
    answer = client.get("/fhir/metadata")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
    return load(answer.text)


def test_metadata_says_what_is_routed(client: TestClient) -> None:
    told = capability(client)
    assert told["fhirVersion"] == "4.0.1"
    assert told["implementation"]["url"] == "http://127.0.0.1:8080/fhir"
    rest = told["rest"][0]
    case_types = [r for r in rest["resource"] if r["type"] != "Subscription"]
    assert {r["type"] for r in case_types} == set(TYPES)
    assert rest["interaction"] == [{"code": "transaction"}, {"code": "batch"}]
    routes = client.get("/openapi.json").json()["paths"]
    addresses = {
        "read": ("get", "/fhir/{kind}/{resource_id}"),
        "vread": ("get", "/fhir/{kind}/{resource_id}/_history/{version}"),
        "history-instance": ("get", "/fhir/{kind}/{resource_id}/_history"),
        "search-type": ("get", "/fhir/{kind}"),
        "create": ("post", "/fhir/{kind}"),
        "update": ("put", "/fhir/{kind}/{resource_id}"),
        "delete": ("delete", "/fhir/{kind}/{resource_id}"),
        "history-type": ("get", "/fhir/{kind}/_history"),
    }
    for resource in case_types:
        codes = {i["code"] for i in resource["interaction"]}
        for code in codes:
            method, address = addresses[code]
            assert method in routes[address], (resource["type"], code)
        not_taken = {"create", "update"} if resource["type"] in MADE_BY_THE_SERVICE else set()
        assert codes == set(addresses) - not_taken - ({"delete"} if resource["type"] not in DELETABLE else set())


@pytest.mark.parametrize("kind", TYPES)
def test_every_type_and_search_parameter_of_the_metadata_is_served(client: TestClient, kind: str) -> None:
    (told,) = [r for r in capability(client)["rest"][0]["resource"] if r["type"] == kind]
    assert client.get(f"/fhir/{kind}/nothing").status_code == 404
    assert issues(client.get(f"/fhir/{kind}/nothing"))[0][1] == f"{kind}/nothing is not here."
    for parameter in told["searchParam"]:
        value = "1999" if parameter["type"] == "date" else "x"
        answer = client.get(f"/fhir/{kind}", params={parameter["name"]: value}, headers={"Prefer": "handling=strict"})
        assert answer.status_code == 200, answer.text
        assert {e["search"]["mode"] for e in answer.json().get("entry", [])} <= {"match"}
    writes = client.post(f"/fhir/{kind}", json={"resourceType": kind})
    refused = writes.status_code == 422 and "made by the service" in writes.text
    assert refused == (kind in MADE_BY_THE_SERVICE)


def test_every_operation_of_the_metadata_is_served(client: TestClient) -> None:
    told = {o["name"] for o in capability(client)["rest"][0]["operation"]}
    assert told == {"everything", "letter", "readiness", "validate"}


def test_create_answers_201_with_its_address_and_version(client: TestClient) -> None:
    answer = post(client, "/fhir/Patient", {**PATIENT, "id": "chosen-by-the-client", "meta": {"versionId": "9"}})
    assert answer.status_code == 201
    body = load(answer.text)
    assert body["id"] != "chosen-by-the-client"
    profile = "https://airway-relay.example/fhir/StructureDefinition/patient"
    assert body["meta"] == {"profile": [profile], "versionId": "1", "lastUpdated": "2026-11-20T09:00:00.000Z"}
    assert answer.headers["location"] == f"http://127.0.0.1:8080/fhir/Patient/{body['id']}/_history/1"
    assert answer.headers["etag"] == 'W/"1"'
    assert {k: v for k, v in body.items() if k not in ("id", "meta")} == PATIENT


def test_create_keeps_every_digit(client: TestClient) -> None:
    case = Case(client).fitted()
    answer = post(client, "/fhir/Observation", case.setting("1.50", "01.500"))
    values = [c["valueQuantity"]["value"] for c in load(answer.text)["component"]]
    assert [str(v) for v in values] == ["1.50", "1.500"]
    assert "1.500" in client.get(answer.headers["location"]).text


def test_create_under_another_type_is_refused(client: TestClient) -> None:
    answer = post(client, "/fhir/Observation", PATIENT)
    assert answer.status_code == 422
    assert issues(answer) == [("invalid", "Resources at this address are of type Observation.", "resourceType")]


def test_a_repeated_create_is_the_same_resource(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    first = post(client, "/fhir/Observation", case.setting())
    before = row_counts(sqlite_pipeline)
    second = post(client, "/fhir/Observation", case.setting())
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.headers["location"] == second.headers["location"]
    assert first.headers["x-case-number"] == second.headers["x-case-number"] == case.number
    assert row_counts(sqlite_pipeline)["fact"] == before["fact"]


def test_conditional_create(client: TestClient) -> None:
    condition = {"If-None-Exist": BY_NUMBER}
    answers = [post(client, "/fhir/Patient", PATIENT, **condition) for _ in range(2)]
    assert [a.status_code for a in answers] == [201, 200]
    assert answers[0].json() == answers[1].json()
    refused = post(client, "/fhir/Patient", PATIENT, **{"If-None-Exist": "identifier="})
    assert refused.status_code == 422
    assert issues(refused) == [
        ("not-supported", "If-None-Exist takes identifier=system|value, or another search.", "Patient")
    ]


def test_update_makes_the_next_version(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    answer = put(client, f"/fhir/Patient/{made['id']}", {**made, "active": True}, **{"If-Match": 'W/"1"'})
    assert answer.status_code == 200
    assert answer.headers["etag"] == 'W/"2"'
    assert load(answer.text) == {**made, "active": True, "meta": {**made["meta"], "versionId": "2"}}
    again = put(client, f"/fhir/Patient/{made['id']}", {**made, "active": True}, **{"If-Match": 'W/"2"'})
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"2"')


@pytest.mark.parametrize(
    ("match", "status", "code", "sentence"),
    [
        (None, 400, "required", "An update needs If-Match with the version that was read."),
        ('W/"2"', 412, "conflict", "is at version 1 by now, not 2."),
        ("abc", 422, "invalid", 'If-Match must look like W/"3", not abc.'),
        ("*", 422, "invalid", 'If-Match must look like W/"3", not *.'),
        ('W/"' + "9" * 5000 + '"', 422, "invalid", 'If-Match must look like W/"3", not'),
    ],
)
def test_update_needs_the_version_that_was_read(
    client: TestClient, sqlite_pipeline: Pipeline, match: str | None, status: int, code: str, sentence: str
) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    before = row_counts(sqlite_pipeline)
    headers = {"If-Match": match} if match else {}
    answer = put(client, f"/fhir/Patient/{made['id']}", {**made, "active": True}, **headers)
    assert answer.status_code == status
    ((given, told, _),) = issues(answer)
    assert given == code
    assert sentence in told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


def test_update_of_another_id_or_of_nothing_is_refused(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    other = put(client, "/fhir/Patient/other", made, **{"If-Match": 'W/"1"'})
    assert other.status_code == 400
    assert issues(other) == [("value", "The id in the body must be «other» as in the address.", "Patient.id")]
    nothing = put(client, "/fhir/Patient/other", {**made, "id": "other"}, **{"If-Match": 'W/"1"'})
    assert nothing.status_code == 412
    assert issues(nothing)[0][1] == "Patient/other is not here, so that there is no version 1 of it."


def test_what_the_service_derives_is_not_updated_from_outside(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    check_in = post(client, "/fhir/QuestionnaireResponse", case.check_in(snoring={"valueDecimal": Decimal(3)}))
    derived = load(check_in.text)["id"]
    before = row_counts(sqlite_pipeline)
    for reference in (
        f"Observation/{case.number}-readiness",
        f"Provenance/{case.number}-decision",
        f"GuidanceResponse/{case.number}-readiness-run",
        f"CarePlan/{case.number}",
        f"Observation/{derived}-snoring",
    ):
        held = client.get(f"/fhir/{reference}")
        assert held.status_code == 200, reference
        changed = {**load(held.text), "language": "en"}
        answer = put(client, f"/fhir/{reference}", changed, **{"If-Match": held.headers["etag"]})
        assert answer.status_code == 422, reference
        assert "made by the service" in answer.text
    assert row_counts(sqlite_pipeline) == before


def test_read_has_an_etag_and_304(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    address = f"/fhir/Patient/{made['id']}"
    answer = client.get(address)
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')
    assert load(answer.text) == made
    for held in ('W/"1"', '"1"', 'W/"7", W/"1"', "*"):
        unchanged = client.get(address, headers={"If-None-Match": held})
        assert (unchanged.status_code, unchanged.content, unchanged.headers["etag"]) == (304, b"", 'W/"1"')
    assert client.get(address, headers={"If-None-Match": 'W/"2"'}).status_code == 200


def test_a_care_plan_is_not_sent_again_while_it_is_the_same(client: TestClient) -> None:
    case = Case(client).fitted()
    address = f"/fhir/CarePlan/{case.number}"
    etag = client.get(address).headers["etag"]
    assert client.get(address, headers={"If-None-Match": etag}).status_code == 304
    case.sent("progress", example("dental-office/progress"))
    changed = client.get(address, headers={"If-None-Match": etag})
    assert changed.status_code == 200
    assert changed.headers["etag"] != etag


def test_vread_and_history(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    address = f"/fhir/Patient/{made['id']}"
    put(client, address, {**made, "active": True}, **{"If-Match": 'W/"1"'})
    assert load(client.get(f"{address}/_history/1").text) == made
    assert client.get(f"{address}/_history/2").headers["etag"] == 'W/"2"'
    told = client.get(f"{address}/_history").json()
    assert (told["type"], told["total"]) == ("history", 2)
    assert [e["response"]["etag"] for e in told["entry"]] == ['W/"2"', 'W/"1"']
    assert [e["request"]["method"] for e in told["entry"]] == ["PUT", "POST"]
    assert told["entry"][1]["resource"] == made
    assert client.get("/fhir/Patient/nobody/_history").status_code == 404


@pytest.mark.parametrize("version", ["3", "x", "²", "9" * 30, "-1", "0"])
def test_a_version_that_is_not_there_is_404(client: TestClient, version: str) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    answer = client.get(f"/fhir/Patient/{made['id']}/_history/{version}")
    assert answer.status_code == 404
    assert_plain_words(answer)


def test_search_by_identifier(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    for query, total in ((BY_NUMBER, 1), ("identifier=7", 1), ("identifier=https://y.example|7", 0)):
        found = client.get(f"/fhir/Patient?{query}").json()
        assert found["type"] == "searchset"
        assert [e["resource"] for e in found.get("entry", [])] == [made] * total
        assert found["link"][0]["url"].endswith(query)
    refused = client.get("/fhir/Patient?colour=x", headers={"Prefer": "handling=strict"})
    assert refused.status_code == 400
    assert "colour" in issues(refused)[0][1]


def test_care_plans_of_a_patient(client: TestClient) -> None:
    case = Case(client)
    for query in (f"patient={case.patient}", f"subject={case.patient.removeprefix('Patient/')}"):
        found = client.get(f"/fhir/CarePlan?{query}").json()
        assert [e["resource"]["id"] for e in found["entry"]] == [case.number]
    assert "entry" not in client.get("/fhir/CarePlan?patient=nobody").json()


def test_validate_stores_nothing(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    well = post(client, "/fhir/Observation/$validate", case.setting())
    assert (well.status_code, issues(well)) == (200, [("informational", "No problem was found.", "")])
    wrong = post(client, "/fhir/Observation/$validate", case.setting(40))
    assert wrong.status_code == 200
    assert [i[2] for i in issues(wrong)] == ["Observation.component[0].value.value"]
    other = post(client, "/fhir/Patient/$validate", case.setting())
    assert other.status_code == 422
    assert row_counts(sqlite_pipeline) == before


def test_readiness_as_of_a_day(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    before = row_counts(sqlite_pipeline)
    outcomes = {}
    for query in ("?asOf=2026-09-05", "?asOf=2026-10-01", ""):
        body = load(client.get(f"/fhir/CarePlan/{case.number}/$readiness{query}").text)
        assert validate(body) == []
        assert body["subject"] == ref(case.patient)
        outcomes[query] = (body["effectiveDateTime"], body["valueCodeableConcept"]["coding"][0]["code"])
    assert outcomes["?asOf=2026-09-05"] == ("2026-09-05", "not-yet")
    assert outcomes["?asOf=2026-10-01"] == ("2026-10-01", "ready")
    assert outcomes[""][0] == "2026-11-20"
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("day", ["x", "2026-02-30", "2026-W40-1", "20261001", "0001-01-01", "9999-12-31"])
def test_readiness_of_a_day_that_is_none_is_refused(client: TestClient, day: str) -> None:
    case = Case(client)
    answer = client.get(f"/fhir/CarePlan/{case.number}/$readiness?asOf={day}")
    assert answer.status_code == 422
    ((code, told, place),) = issues(answer)
    assert (code, place) == ("invalid", "asOf")
    assert day in told


def test_readiness_of_an_unknown_case_is_404(client: TestClient) -> None:
    answer = client.get("/fhir/CarePlan/nothing/$readiness")
    assert (answer.status_code, issues(answer)) == (404, [("not-found", "There is no case nothing.", "")])
