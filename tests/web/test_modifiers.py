"""Every row of the modifier contract through the running service: what is refused, what is kept, what counts."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.build import Resource, quantity, ref
from service.fhir.codes import DENTAL_REFERRAL, SNOMED, local
from service.fhir.modifier_rows import DATA_TYPES, MADE_HERE, ROWS, Row
from tests.web.messages import PATIENT, Case, bundle, issues, numbered, post

UNKNOWN = [{"url": "https://a.example/changes", "valueBoolean": True}]
VERSION = "http://terminology.hl7.org/CodeSystem/condition-"
_ALONE = (*DATA_TYPES, *MADE_HERE)
SINGLE = [(row, value) for row in ROWS if "." in row.path and row not in _ALONE for value in row.effects]
# a Task has its table of states, a Subscription its own door; a Questionnaire belongs to no case, and is not taken alone
CASES = [
    (row, value)
    for row, value in SINGLE
    if row.path.count(".") == 1
    and not row.path.startswith(("Element.", "Resource.", "Task.", "Subscription.", "Questionnaire."))
]


def _base(case: Case, row: Row) -> Resource:
    """A right resource of the kind that a row is for."""
    subject, based = {"subject": ref(case.patient)}, {"basedOn": [ref(case.referral)]}
    order = {"resourceType": "ServiceRequest", "status": "active", "intent": "order", **subject, **based}
    kinds: dict[str, Resource] = {
        "referral": {
            **{k: v for k, v in order.items() if k != "basedOn"},
            "code": DENTAL_REFERRAL.concept,
            "authoredOn": "2026-08-01",
            "requester": ref(case.physician),
            "performer": [ref(case.dental_office)],
            "identifier": [{"system": "https://x.example/orders", "value": "9"}],
        },
        "test-order": {
            **order,
            "code": local("efficacy-test").concept,
            "authoredOn": "2026-09-01",
            "requester": ref(case.physician),
        },
        "red-flag": case.observation("red-flag", valueCodeableConcept=local("locked-jaw").concept),
        "appliance": {"resourceType": "Device", "type": local("oral-appliance").concept, "patient": ref(case.patient)},
        "Patient": {**PATIENT, "identifier": [{"system": "https://x.example/patients", "value": "8"}]},
        "Organization": {"resourceType": "Organization", "name": "Invented practice"},
        "Condition": {
            "resourceType": "Condition",
            "category": [{"coding": [{"system": f"{VERSION}category", "code": "encounter-diagnosis"}]}],
            "code": {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": "G47.33"}]},
            **subject,
        },
        "ServiceRequest": {**order, "code": {"text": "blood test"}},
        "Device": {"resourceType": "Device", "type": {"text": "pillow"}, "patient": ref(case.patient)},
        "DeviceUseStatement": {
            "resourceType": "DeviceUseStatement",
            "status": "active",
            "device": ref(case.device),
            "timingPeriod": {"start": "2026-09-01", "end": "2026-09-20"},
            **subject,
            **based,
        },
        "Procedure": {"resourceType": "Procedure", "status": "completed", **subject, **based},
        "Encounter": {
            "resourceType": "Encounter",
            "identifier": [{"system": "https://x.example/visits", "value": "1"}],
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
            "type": [local("dental-visit").concept],
            "period": {"start": "2026-09-10", "end": "2026-09-10"},
            **subject,
            **based,
        },
        "Observation": case.setting("0.5", "0.5", effectiveDateTime="2026-09-10"),
        "DiagnosticReport": {
            "resourceType": "DiagnosticReport",
            "status": "final",
            "category": [local("efficacy-test").concept],
            "code": local("home-sleep-test").concept,
            "effectiveDateTime": "2026-10-01",
            "result": [ref(case.measure)],
            **subject,
            **based,
        },
        "QuestionnaireResponse": case.check_in("2026-09-12", snoring={"valueDecimal": 3}),
        "Communication": {"resourceType": "Communication", **subject, **based},
        "Composition": {
            "resourceType": "Composition",
            "type": {"text": "letter"},
            "date": "2026-09-10",
            "author": [ref(case.physician)],
            "title": "Letter",
            **subject,
        },
        "DocumentReference": {
            "resourceType": "DocumentReference",
            "content": [{"attachment": {"title": "x"}}],
            **subject,
        },
        "Goal": {"resourceType": "Goal", "description": {"text": "x"}, **subject},
    }
    return kinds[row.of[0] if row.of else row.path.split(".")[0]]


def _with(resource: Resource, path: str, value: str) -> Resource:
    element = path.partition(".")[2]
    held: Any = value
    if element == "deceased[x]":
        held, element = (
            ("2026-09-30", "deceasedDateTime") if value == "a time" else (value == "true", "deceasedBoolean")
        )
    elif value in ("true", "false"):
        held = value == "true"
    elif element in ("clinicalStatus", "verificationStatus"):
        name = "clinical" if element == "clinicalStatus" else "ver-status"
        held = {"coding": [{"system": f"{VERSION}{name}", "code": value}]}
    elif element == "link":
        held = [{"other": {"display": "another record"}, "type": value}]
    elif value == "*":
        held = {"Goal": "active", "Device": "inactive", "ServiceRequest": "draft"}[resource["resourceType"]]
    changed = {**resource, element: held}
    if (
        resource["resourceType"] == "Condition"
        and value not in ("entered-in-error",)
        and "clinicalStatus" not in changed
    ):
        changed["clinicalStatus"] = {"coding": [{"system": f"{VERSION}clinical", "code": "active"}]}
    return changed


@pytest.fixture
def case(client: TestClient) -> Case:
    """A fitted case, with the addresses of its office, its appliance and a measure that is no result yet."""
    made = Case(client).fitted()
    links = client.get(f"/cases/{made.number}").json()["resources"]
    made.physician, made.dental_office = links["physician"], links["dental_office"]  # type: ignore[attr-defined]
    found = client.get("/fhir/Device", params={"patient": made.patient}).json()["entry"]
    made.device = f"Device/{found[0]['resource']['id']}"  # type: ignore[attr-defined]
    index = made.observation("ahi", valueQuantity=quantity(4, "{events}/h"), effectiveDateTime="2026-10-01")
    sent = post(client, "/fhir/Observation", {**index, "method": local("hypopnoea-4-percent").concept})
    assert sent.status_code == 201, sent.text
    made.measure = f"Observation/{sent.json()['id']}"  # type: ignore[attr-defined]
    return made


def _expected(row: Row, value: str) -> int:
    """A second referral of one patient that is active opens a case; one that has ended finds none that holds it."""
    effect = row.effects[value]
    return 422 if effect == "REFUSED" or (row.of == ("referral",) and effect == "MOVES") else 201


@pytest.mark.sampled("row", "value")
@pytest.mark.parametrize("door", ["create", "transaction"])
@pytest.mark.parametrize(
    ("row", "value"), CASES, ids=lambda v: v if isinstance(v, str) else f"{v.path} {'/'.join(v.of)}"
)
def test_a_row_through_the_door(case: Case, row: Row, value: str, door: str) -> None:
    resource = _with(_base(case, row), row.path, value)
    kind, client = resource["resourceType"], case.client
    answer = post(client, f"/fhir/{kind}", resource) if door == "create" else post(client, "/fhir", bundle(resource))
    expected = _expected(row, value)
    assert answer.status_code == (200 if door == "transaction" and expected == 201 else expected), answer.text
    element = row.path.partition(".")[2].removesuffix("[x]")
    if expected == 422:
        at = "Bundle.entry[0].resource" if door == "transaction" else kind
        assert f"{at}.{element}" in [place for _, _, place in issues(answer)]
        return
    told = [item["status"] for item in client.get(f"/cases/{case.number}").json()["not_counted"]]
    assert told == ([value] if row.effects[value] == "NOT_COUNTED" else [])


def test_an_unknown_modifier_is_refused_with_its_place(case: Case) -> None:
    setting = case.setting("0.5", "0.5")
    setting["component"][0]["modifierExtension"] = UNKNOWN
    patient = {**PATIENT, "contact": [{"name": {"text": "x"}, "modifierExtension": UNKNOWN}], "implicitRules": "urn:x"}
    inside = {
        **case.setting("0.5", "0.5"),
        "contained": [{"resourceType": "Patient", "id": "p", "implicitRules": "urn:x"}],
    }
    for resource, places in (
        (setting, ["Observation.component[0].modifierExtension"]),
        (patient, ["Patient.contact[0].modifierExtension", "Patient.implicitRules"]),
        (inside, ["Observation.contained[0].implicitRules"]),
    ):
        answer = post(case.client, f"/fhir/{resource['resourceType']}", resource)
        assert answer.status_code == 422
        assert set(places) <= {place for _, _, place in issues(answer)}


def test_an_unknown_modifier_of_a_bundle(case: Case) -> None:
    sent = {**bundle(case.setting("0.5", "0.5")), "implicitRules": "urn:x"}
    sent["entry"][0]["request"]["modifierExtension"] = UNKNOWN
    answer = post(case.client, "/fhir", sent)
    places = [place for _, _, place in issues(answer)]
    assert answer.status_code == 422
    assert places == ["Bundle.implicitRules", "Bundle.entry[0].request.modifierExtension"]


@pytest.mark.parametrize("comparator", ["<", "<=", ">=", ">"])
def test_a_comparator_on_a_measured_value(case: Case, comparator: str) -> None:
    """«<5» is not 5: refused where the rules read the value, kept where no decision reads it."""
    measured = {**quantity(5, "{events}/h"), "comparator": comparator}
    rule = {"method": local("hypopnoea-4-percent").concept}
    answer = post(case.client, "/fhir/Observation", {**case.observation("ahi", valueQuantity=measured), **rule})
    assert answer.status_code == 422
    assert any("comparator" in place for _, _, place in issues(answer)), answer.text
    other = case.observation("body height", valueQuantity={"value": 5, "comparator": comparator})
    assert post(case.client, "/fhir/Observation", other).status_code == 201


def test_an_old_identifier_identifies_nobody(case: Case) -> None:
    """It occupies no number and is not looked up; one in use does both."""
    client, number = case.client, {"system": "https://x.example/patients", "value": "77"}
    sent = {**PATIENT, "identifier": [{**number, "use": "old"}, {**number, "value": "78"}]}
    first = post(client, "/fhir/Patient", sent)
    assert first.status_code == 201
    asked = f"identifier={number['system']}|77"
    second = post(client, "/fhir/Patient", {**PATIENT, "identifier": [number]}, **{"If-None-Exist": asked})
    assert second.status_code == 201
    assert second.json()["id"] != first.json()["id"]
    again = post(client, "/fhir/Patient", {**PATIENT, "identifier": [number]}, **{"If-None-Exist": asked})
    assert (again.status_code, again.json()["id"]) == (200, second.json()["id"])


def test_an_organisation_not_in_use_is_referred_to_by_nobody(case: Case) -> None:
    office = numbered("Organization", "5", name="Closed practice", active=False)
    sent = post(case.client, "/fhir/Organization", office)
    order = _base(case, next(r for r in ROWS if r.of == ("referral",)))
    answer = post(
        case.client, "/fhir/ServiceRequest", {**order, "performer": [ref(f"Organization/{sent.json()['id']}")]}
    )
    assert answer.status_code == 422
    assert issues(answer)[0][2] == "ServiceRequest.performer"


def test_snomed_is_the_system_of_the_referral() -> None:
    """The referral of these tests is what opens a case: they would show nothing otherwise."""
    assert DENTAL_REFERRAL.concept["coding"][0]["system"] == SNOMED
