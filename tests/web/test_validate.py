"""$validate on a type and on a resource, and what a sender is told of a resource that was taken.

https://hl7.org/fhir/R4/resource-operation-validate.html and https://hl7.org/fhir/R4/http.html#ops
"""

from __future__ import annotations

from typing import Any

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import PATIENT, Case, assert_plain_words, bundle, issues, post, put, row_counts

OTHER = "https://a.example/StructureDefinition/other"
WARNED = f"The profile {OTHER} is not known here and was not checked."
NAMED: Resource = {**PATIENT, "meta": {"profile": [OTHER]}}
WELL = [("informational", "No problem was found.", "")]
NO_GENDER = ("invalid", "«gender» is required.", "Patient.gender")
WITHOUT_GENDER = {k: v for k, v in PATIENT.items() if k != "gender"}


def parameters(**given: Any) -> Resource:
    """A Parameters resource as the operation takes it."""
    kinds = {"mode": "valueCode", "profile": "valueUri"}
    held = [{"name": name, kinds.get(name, name): value} for name, value in given.items()]
    return {"resourceType": "Parameters", "parameter": held}


def severities(answer: Response) -> list[str]:
    assert answer.status_code == 200, answer.text
    return [i["severity"] for i in answer.json()["issue"]]


@pytest.mark.parametrize("body", [PATIENT, parameters(resource=PATIENT), parameters(mode="create", resource=PATIENT)])
def test_all_is_well(client: TestClient, sqlite_pipeline: Pipeline, body: Resource) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Patient/$validate", body)
    assert (severities(answer), issues(answer)) == (["information"], WELL)
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize("body", [WITHOUT_GENDER, parameters(resource=WITHOUT_GENDER)])
def test_every_issue_is_listed(client: TestClient, body: Resource) -> None:
    answer = post(client, "/fhir/Patient/$validate", body)
    assert (severities(answer), issues(answer)) == (["error"], [NO_GENDER])
    assert_plain_words(answer)


def test_a_warning_is_listed_among_the_issues(client: TestClient) -> None:
    answer = post(client, "/fhir/Patient/$validate", {**NAMED, "gender": "x"})
    assert severities(answer) == ["error", "warning"]
    assert issues(answer)[1] == ("not-found", WARNED, "Patient.meta.profile[0]")


@pytest.mark.parametrize("asked", ["body", "query"])
def test_a_profile_can_be_asked_for(client: TestClient, asked: str) -> None:
    url = f"{BASE}/StructureDefinition/snoring"
    resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    if asked == "body":
        answer = post(client, "/fhir/Observation/$validate", parameters(profile=url, resource=resource))
    else:
        answer = post(client, f"/fhir/Observation/$validate?profile={url}", resource)
    assert "Observation.category" in {place for _, _, place in issues(answer)}
    unknown = post(client, f"/fhir/Observation/$validate?profile={OTHER}", resource)
    assert (severities(unknown), issues(unknown)[0][1]) == (["error"], WARNED)


def test_what_only_the_service_writes_is_told_when_it_is_to_be_created(client: TestClient) -> None:
    run = {"resourceType": "AuditEvent"}
    plain = issues(post(client, "/fhir/AuditEvent/$validate", run))
    asked = issues(post(client, "/fhir/AuditEvent/$validate", parameters(mode="create", resource=run)))
    assert asked[:-1] == plain
    assert asked[-1][:2] == ("business-rule", "AuditEvent is made by the service and cannot be written.")


def test_a_resource_on_record(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    held = load(post(client, "/fhir/Patient", PATIENT).text)
    address = f"/fhir/Patient/{held['id']}/$validate"
    before = row_counts(sqlite_pipeline)
    for body in (held, parameters(resource=held), parameters(mode="update", resource=held), parameters(mode="profile")):
        assert issues(post(client, address, body)) == WELL
    assert issues(post(client, address, "")) == WELL
    ((_, sentence, place),) = issues(post(client, address, {**PATIENT, "id": "other"}))
    assert (sentence, place) == (f"The id in the body must be «{held['id']}» as in the address.", "Patient.id")
    assert post(client, "/fhir/Patient/nothing/$validate", parameters(mode="profile")).status_code == 404
    assert row_counts(sqlite_pipeline) == before


@pytest.mark.parametrize(
    ("body", "place", "words"),
    [
        (parameters(resource=PATIENT, mode="wish"), "mode", "«wish» is not one of create, update, profile, delete."),
        (
            parameters(mode="delete"),
            "mode",
            "Patient is shared between cases and cannot be deleted; update it, for example with active false.",
        ),
        (parameters(mode="create"), "resource", "A resource is needed."),
        (parameters(resource="x"), "Parameters.parameter[0].resource", "A resource is needed."),
        (parameters(resource=PATIENT, colour="x"), "Parameters.parameter[1].name", "A parameter is one of resource"),
        ({"resourceType": "Parameters", "parameter": {}}, "Parameters.parameter", "A list is needed."),
        ({"resourceType": "Parameters", "parameter": [{"name": "mode"}]}, "Parameters.parameter[0].value", "Text is"),
        ({"resourceType": "Observation"}, "resourceType", "Resources at this address are of type Patient."),
    ],
)
def test_an_operation_that_cannot_be_asked_is_refused(
    client: TestClient, body: Resource, place: str, words: str
) -> None:
    answer = post(client, "/fhir/Patient/$validate", body)
    assert answer.status_code == 422
    ((_, sentence, where),) = issues(answer)
    assert (where, sentence[: len(words)]) == (place, words)
    assert_plain_words(answer)


def test_an_unknown_profile_is_accepted_and_told_in_the_transaction(client: TestClient) -> None:
    other = {**PATIENT, "identifier": [{"system": "https://x.example/patients", "value": "8"}]}
    answer = post(client, "/fhir", bundle(NAMED, other))
    assert answer.status_code == 200, answer.text
    first, second = (entry["response"] for entry in answer.json()["entry"])
    issue = {"severity": "warning", "code": "not-found", "diagnostics": WARNED}
    place = "Bundle.entry[0].resource.meta.profile[0]"
    assert first["outcome"] == {"resourceType": "OperationOutcome", "issue": [{**issue, "expression": [place]}]}
    assert "outcome" not in second


@pytest.mark.parametrize("prefer", ["return=OperationOutcome", "respond-async; return = operationoutcome"])
def test_what_was_taken_is_told_when_it_is_asked_for(client: TestClient, prefer: str) -> None:
    made = post(client, "/fhir/Patient", NAMED, Prefer=prefer)
    assert (made.status_code, issues(made)) == (201, [("not-found", WARNED, "Patient.meta.profile[0]")])
    assert made.headers["location"].endswith("/_history/1")
    held = load(client.get(made.headers["location"].removesuffix("/_history/1")).text)
    assert held["meta"]["profile"] == [OTHER, f"{BASE}/StructureDefinition/patient"]
    changed = put(
        client, f"/fhir/Patient/{held['id']}", {**PATIENT, "id": held["id"]}, **{"If-Match": 'W/"1"', "Prefer": prefer}
    )
    assert (changed.status_code, issues(changed)[0][1]) == (200, f"Patient/{held['id']} was updated.")


def test_the_resource_itself_is_the_answer_otherwise(client: TestClient) -> None:
    for prefer in ("return=representation", "return=something", ""):
        assert post(client, "/fhir/Patient", NAMED, Prefer=prefer).json()["resourceType"] == "Patient"


def test_a_resource_that_names_a_profile_of_ours_and_breaks_it_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    meta = {"profile": [f"{BASE}/StructureDefinition/wear"]}
    answer = post(client, "/fhir/Observation", case.setting(1, meta=meta))
    assert answer.status_code == 422
    assert "Observation.code" in {place for _, _, place in issues(answer)}
    assert row_counts(sqlite_pipeline) == before


def test_a_resource_sent_back_as_it_was_read_is_unchanged(client: TestClient) -> None:
    """What the service adds to `meta` is not content of the sender's."""
    held = load(post(client, "/fhir/Patient", PATIENT).text)
    answer = put(client, f"/fhir/Patient/{held['id']}", held, **{"If-Match": 'W/"1"'})
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')


def test_the_metadata_names_the_profiles_of_every_type(client: TestClient) -> None:
    told = {r["type"]: r for r in load(client.get("/fhir/metadata").text)["rest"][0]["resource"]}
    assert told["Patient"]["supportedProfile"] == [f"{BASE}/StructureDefinition/patient"]
    assert len(told["Observation"]["supportedProfile"]) > 10
    assert "supportedProfile" not in told["Goal"]
