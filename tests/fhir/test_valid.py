"""Every resource the service stores is valid R4, speaks only defined codes and units, and refers to what is there."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from service.app import build_app
from service.demo.scenario import stories
from service.fhir.build import Resource, references_in
from service.fhir.codes import LOCAL, LOINC, PUBLISHED, SNOMED, UCUM, is_local
from service.fhir.json_text import load
from service.fhir.validate import TYPES, validate
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.web.messages import Case, example, post

UNITS = {
    "{letters}",
    "mm",
    "%",
    "h",
    "min",
    "/h",
    "{events}/h",
    "{events}",
    "{score}",
    "kg",
    "d",
    "1",
    "a",
    "mm/a",
    "{check-ins}",
    "{settings}",
    "{totals}",
    "{teeth}",
}
"""UCUM (https://ucum.org/ucum), the case-sensitive codes in use."""

# Observation: https://hl7.org/fhir/R4/observation.html and so on, the row of the element in "Detailed Descriptions"
TARGETS = {
    "Observation.derivedFrom": "DocumentReference ImagingStudy Media QuestionnaireResponse Observation MolecularSequence",
    "Observation.basedOn": "CarePlan DeviceRequest ImmunizationRecommendation MedicationRequest NutritionOrder ServiceRequest",
    "Observation.performer": "Practitioner PractitionerRole Organization CareTeam Patient RelatedPerson",
    "Observation.subject": "Patient Group Device Location",
    "Observation.device": "Device DeviceMetric",
    "DiagnosticReport.basedOn": "CarePlan ImmunizationRecommendation MedicationRequest NutritionOrder ServiceRequest",
    "DiagnosticReport.performer": "Practitioner PractitionerRole Organization CareTeam",
    "DiagnosticReport.result": "Observation",
    "ServiceRequest.basedOn": "CarePlan ServiceRequest MedicationRequest",
    "ServiceRequest.requester": "Practitioner PractitionerRole Organization Patient RelatedPerson Device",
    "ServiceRequest.performer": "Practitioner PractitionerRole Organization CareTeam HealthcareService Patient Device RelatedPerson",
    "ServiceRequest.reasonReference": "Condition Observation DiagnosticReport DocumentReference",
    "Task.requester": "Device Organization Patient Practitioner PractitionerRole RelatedPerson",
    "Task.owner": "Practitioner PractitionerRole Organization CareTeam HealthcareService Patient Device RelatedPerson",
    "QuestionnaireResponse.basedOn": "CarePlan ServiceRequest",
    "DeviceUseStatement.basedOn": "ServiceRequest",
    "DeviceUseStatement.device": "Device",
    "CarePlan.author": "Patient Practitioner PractitionerRole Device RelatedPerson Organization CareTeam",
    "CarePlan.addresses": "Condition",
    "CarePlan.goal": "Goal",
    "Condition.asserter": "Practitioner PractitionerRole Patient RelatedPerson",
    "GuidanceResponse.performer": "Device",
    "GuidanceResponse.result": "CarePlan RequestGroup",
    "Provenance.agent.who": "Practitioner PractitionerRole RelatedPerson Patient Device Organization",
}


def play_everything(client: TestClient, clock: Clock) -> None:
    """The demonstration's stories, the examples, a check-in by FHIR, a withdrawal, a cancellation, some days."""
    for story in stories(clock.now.date()):
        number = post(client, "/intake/referrals", story.referral).json()["case_number"]
        for _, what, body in story.messages:
            answer = post(client, f"/intake/cases/{number}/{what}", body)
            assert answer.status_code in (200, 201), answer.text
    assert post(client, "/fhir", example("sleep-lab/referral-bundle")).status_code == 200
    case = Case(client)
    for what, name in (
        ("referral-state", "dental-office/accept"),
        ("assessments", "dental-office/assessment"),
        ("appliances", "dental-office/appliance"),
        ("progress", "dental-office/progress"),
        ("progress", "dental-office/correction"),
        ("test-orders", "physician/test-order"),
        ("sleep-tests", "sleep-lab/efficacy-test"),
        ("decisions", "physician/decision"),
    ):
        case.sent(what, example(name))
    fhir = case.check_in("2026-10-20", snoring={"valueDecimal": 2}, witnessed_pauses={"valueBoolean": False})
    assert post(client, "/fhir/QuestionnaireResponse", fhir).status_code == 201
    withdrawn = {**example("dental-office/correction")["check_ins"][0], "entered_in_error": True}
    case.sent("progress", {"check_ins": [withdrawn]})
    case.sent("assessments", {"entry_id": "exam-2", "assessed_on": "2026-09-01", "entered_in_error": True})
    case.sent("referral-state", example("dental-office/complete"))
    clock.move(days=40)
    for row in client.get("/cases?limit=200").json()["cases"]:
        assert client.get(f"/fhir/CarePlan/{row['case_number']}").status_code == 200


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Resource]:
    """Every stored version of every resource, by `Type/id/_history/version`."""
    clock = Clock()
    url = f"sqlite:///{tmp_path_factory.mktemp('valid')}/relay.db"
    pipeline = build_pipeline(Settings(database_url=url), clock=clock)
    play_everything(TestClient(build_app(Settings(), pipeline)), clock)

    def read(tx: Any) -> dict[str, Resource]:
        rows = tx.execute(text("SELECT type, id, version, body FROM resource_version"))
        return {f"{r.type}/{r.id}/_history/{r.version}": load(r.body) for r in rows}

    found = pipeline._database.read(read)
    pipeline.close()
    return found


@cache
def model(kind: str) -> Any:
    return getattr(importlib.import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)


def parts(value: Any, path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every object inside, with its path without indices."""
    if isinstance(value, dict):
        yield path, value
        for key, held in value.items():
            yield from parts(held, f"{path}.{key}")
    elif isinstance(value, list):
        for held in value:
            yield from parts(held, path)


def test_the_scenario_makes_resources_of_every_kind_in_use(stored: dict[str, Resource]) -> None:
    kinds = {address.split("/")[0] for address in stored}
    assert len(stored) > 400
    assert kinds >= {
        "Patient",
        "Practitioner",
        "Organization",
        "Condition",
        "ServiceRequest",
        "Task",
        "Device",
        "DeviceUseStatement",
        "Observation",
        "DiagnosticReport",
        "QuestionnaireResponse",
        "CarePlan",
        "GuidanceResponse",
        "Provenance",
        "AuditEvent",
    }
    assert kinds <= set(TYPES)


def test_every_resource_is_valid(stored: dict[str, Resource]) -> None:
    for address, resource in stored.items():
        model(resource["resourceType"]).model_validate(resource)
        assert validate(resource) == [], address


def test_every_resource_carries_its_id_and_version(stored: dict[str, Resource]) -> None:
    for address, resource in stored.items():
        made = f"{resource['resourceType']}/{resource['id']}/_history/{resource['meta']['versionId']}"
        assert made == address


def test_every_code_is_defined(stored: dict[str, Resource]) -> None:
    published = {(c.system, c.code) for c in PUBLISHED}
    for address, resource in stored.items():
        for _, part in parts(resource, ""):
            if part.get("system") == LOCAL:
                assert is_local(part["code"]), (address, part)
            elif part.get("system") in (LOINC, SNOMED):
                assert (part["system"], part["code"]) in published, (address, part)


def test_every_unit_is_one_of_the_list(stored: dict[str, Resource]) -> None:
    for address, resource in stored.items():
        for _, part in parts(resource, ""):
            if "value" in part and "code" in part:
                assert part["system"] == UCUM, (address, part)
                assert part["code"] in UNITS, (address, part)


def test_every_reference_leads_to_something(stored: dict[str, Resource]) -> None:
    current = {address.split("/_history/")[0] for address in stored}
    for address, resource in stored.items():
        inside = {f"#{c['id']}" for c in resource.get("contained", [])}
        for path, reference in references_in(resource, resource["resourceType"]):
            known = stored if "/_history/" in reference else inside if reference.startswith("#") else current
            assert reference in known, (address, path, reference)


def test_every_reference_leads_to_a_type_it_may(stored: dict[str, Resource]) -> None:
    seen: set[str] = set()
    for address, resource in stored.items():
        for path, part in parts(resource, resource["resourceType"]):
            reference = part.get("reference")
            if path not in TARGETS or reference is None:
                continue
            seen.add(path)
            kind = "Goal" if reference.startswith("#goal") else reference.split("/")[0]
            assert kind in TARGETS[path].split(), (address, path, reference)
    assert seen == set(TARGETS)


def test_a_decision_never_names_a_performer(stored: dict[str, Resource]) -> None:
    """A Device cannot perform an R4 Observation: the rules stand in `device`."""
    decisions = [r for a, r in stored.items() if a.startswith("Observation/AR-")]
    assert decisions
    for resource in decisions:
        assert "performer" not in resource
        assert resource["device"] == {"reference": "Device/airway-relay-rules/_history/1"}


def test_the_service_never_makes_an_order(stored: dict[str, Resource]) -> None:
    proposals = [r for a, r in stored.items() if "-test-proposal-" in a and a.startswith("ServiceRequest/")]
    assert {p["status"] for p in proposals} >= {"draft"}
    assert {p["intent"] for p in proposals} == {"proposal"}


def test_every_care_plan_carries_the_caution_and_its_day(stored: dict[str, Resource]) -> None:
    for address, resource in stored.items():
        if resource["resourceType"] == "CarePlan":
            assert "not a diagnosis" in resource["text"]["div"], address
            assert "As of " in resource["description"], address
