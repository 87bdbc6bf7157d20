"""The declared search parameters are R4's own: name, kind, definition, elements and targets, as HL7 publishes them."""

from __future__ import annotations

import json
import zipfile
from typing import Any

import pytest

from service.fhir.capability import capability_statement
from service.fhir.search_parameters import PARAMETERS, RESOURCE_PARAMETERS, Kind, includes_of, reverse_includes_of
from service.fhir.validate import TYPES
from tests.reference.r4_definitions import jar

_US_CORE = {
    "Patient": "_id birthdate family gender given identifier name",
    "Condition": "abatement-date category clinical-status code encounter onset-date patient recorded-date",
    "ServiceRequest": "_id authored category code patient status",
    "DiagnosticReport": "category code date patient status",
    "Observation": "category code date patient status",
    "CarePlan": "category date patient status",
    "Goal": "lifecycle-status patient target-date",
    "Encounter": "_id class date identifier patient status type",
    "QuestionnaireResponse": "_id authored patient questionnaire status",
    "Organization": "name",
    "Practitioner": "_id identifier name",
    "PractitionerRole": "practitioner specialty",
    "Procedure": "code date patient status",
    "Device": "patient status type",
    "DocumentReference": "_id category date patient period status type",
}
"""From memory of the server CapabilityStatement of US Core 7.0.0; parameters of extensions and locations left out."""


@pytest.fixture(scope="module")
def published() -> dict[tuple[str, str], dict[str, Any]]:
    """R4's parameters by type and name (https://hl7.org/fhir/R4/search-parameters.json)."""
    held = jar()
    if held is None:
        pytest.skip("the reference validator's libraries with R4's definitions are not here")
    with zipfile.ZipFile(held) as archive:
        bundle = json.loads(archive.read("org/hl7/fhir/r4/model/sp/search-parameters.json"))
    found = [entry["resource"] for entry in bundle["entry"]]
    return {(base, r["code"]): r for r in found for base in r["base"]}


def test_every_type_held_is_searched() -> None:
    assert set(PARAMETERS) == set(TYPES)


def test_every_parameter_is_one_of_r4(published: dict[tuple[str, str], dict[str, Any]]) -> None:
    for kind, held in PARAMETERS.items():
        for parameter in held.values():
            theirs = published[kind, parameter.name]
            assert (parameter.kind, parameter.definition) == (theirs["type"], theirs["url"])
            if parameter.targets and parameter.name != "patient":
                assert set(parameter.targets) == {t for t in theirs["target"] if t in TYPES}, parameter


def test_every_element_is_named_by_the_published_expression(published: dict[tuple[str, str], dict[str, Any]]) -> None:
    for kind, held in PARAMETERS.items():
        for parameter in held.values():
            expression = published[kind, parameter.name]["expression"]
            for path in parameter.elements:
                stem = ".".join(path)
                for suffix in ("DateTime", "Period", "Timing", "Instant", "CodeableConcept", "Date"):
                    stem = stem.removesuffix(suffix) if f"{kind}.{stem}" not in expression else stem
                assert f"{kind}.{stem}" in expression, parameter


@pytest.mark.parametrize("kind", sorted(_US_CORE))
def test_what_us_core_asks_for_is_declared(kind: str) -> None:
    assert set(_US_CORE[kind].split()) <= {*PARAMETERS[kind], *RESOURCE_PARAMETERS}


def test_the_capability_statement_lists_what_is_served_and_nothing_else() -> None:
    rest = capability_statement({"read", "search-type"}, "http://x/fhir")["rest"][0]
    for held in rest["resource"]:
        kind = held["type"]
        told = {(p["name"], p["type"], p["definition"]) for p in held["searchParam"]}
        own = {(p.name, p.kind.value, p.definition) for p in PARAMETERS[kind].values()}
        assert told == own | {(name, *more) for name, more in RESOURCE_PARAMETERS.items()}
        assert held.get("searchInclude", []) == includes_of(kind)
        assert held.get("searchRevInclude", []) == reverse_includes_of(kind)
    observation = next(r for r in rest["resource"] if r["type"] == "Observation")
    assert "Provenance:target" in observation["searchRevInclude"]
    assert "Observation:patient" in observation["searchInclude"]
    assert "Observation:patient" not in observation["searchRevInclude"]


def test_patient_reads_the_index_of_the_wider_reference() -> None:
    assert PARAMETERS["Observation"]["patient"].stored_as == "subject"
    assert PARAMETERS["Provenance"]["patient"].stored_as == "target"
    assert PARAMETERS["Device"]["patient"].stored_as == "patient"
    assert all(p.stored_as in held for held in PARAMETERS.values() for p in held.values())
    assert {p.only for held in PARAMETERS.values() for p in held.values() if p.kind is not Kind.REFERENCE} == {""}
