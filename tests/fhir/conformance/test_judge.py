"""Which profiles a resource is judged by, and what a client is told of those that are not known here."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.fhir.build import Resource, quantity
from service.fhir.codes import BASE, local
from service.fhir.conformance import judge
from service.fhir.conformance.issue import ERROR, WARNING, Issue
from service.fhir.conformance.published import compile_folder
from service.fhir.profile_index import profile_of, profiles_by_type, with_profile
from service.fhir.validate import all_issues, issues_of, validate
from tests.fhir.conformance.small import BASE as SMALL
from tests.fhir.conformance.small import definition, element, rule, written

CORE = "http://hl7.org/fhir/StructureDefinition"
SNORING = f"{BASE}/StructureDefinition/snoring"
RIGHT: Resource = {
    "resourceType": "Observation",
    "status": "final",
    "category": [{"text": "survey"}],
    "code": local("snoring").concept,
    "subject": {"reference": "Patient/1"},
    "effectiveDateTime": "2026-10-04",
    "valueQuantity": quantity(3, "{score}"),
}
FREE: Resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}


def naming(*profiles: str, resource: Resource = FREE) -> Resource:
    return {**resource, "meta": {"profile": list(profiles)}}


def told(issues: list[Issue]) -> list[tuple[str, str, str]]:
    return [(i.severity, i.expression, i.message) for i in issues]


def test_a_resource_is_judged_by_the_profile_it_belongs_to() -> None:
    assert issues_of(RIGHT) == []
    without = {k: v for k, v in RIGHT.items() if k != "category"}
    assert told(issues_of(without)) == [(ERROR, "Observation.category", "«category» is required.")]
    assert issues_of(without)[0].asked_by == SNORING


@pytest.mark.parametrize("url", [SNORING, f"{SNORING}|1.0.0"])
def test_a_resource_is_judged_by_the_profile_it_names(url: str) -> None:
    places = {i.expression for i in issues_of(naming(url)) if i.severity == ERROR}
    assert {"Observation.category", "Observation.code", "Observation.subject", "Observation.value"} <= places
    assert issues_of(naming(url, resource=RIGHT)) == []


def test_a_profile_asked_for_by_name_is_one_more() -> None:
    assert {i.severity for i in issues_of(FREE, SNORING)} == {ERROR}
    assert issues_of(RIGHT, SNORING) == issues_of(RIGHT, f"{SNORING}|1.0.0") == []


@pytest.mark.parametrize("url", ["https://a.example/profile", f"{SNORING}|9.0.0", f"{BASE}/StructureDefinition/none"])
def test_a_named_profile_that_is_not_known_is_said_and_accepted(url: str) -> None:
    resource = naming(SNORING, url, resource=RIGHT)
    (issue,) = issues_of(resource)
    assert told([issue]) == [
        (WARNING, "Observation.meta.profile[1]", f"The profile {url[:57] + '...' if len(url) > 60 else url} is not known here and was not checked.")
    ]  # fmt: skip
    assert issue.code == "not-found"
    assert validate(resource) == []


def test_an_unknown_profile_asked_for_by_name_is_an_error() -> None:
    (issue,) = issues_of(RIGHT, "https://a.example/profile")
    assert (issue.severity, issue.expression) == (ERROR, "Observation")


@pytest.mark.parametrize("url", [f"{BASE}/StructureDefinition/patient", f"{CORE}/Patient", f"{CORE}/DomainResource"])
def test_a_profile_of_another_type_is_an_error(url: str) -> None:
    (issue,) = issues_of(naming(url))
    assert (issue.severity, issue.expression) == (ERROR, "Observation.meta.profile[0]")
    assert issue.message.endswith("not of Observation.")


def test_the_type_itself_may_be_named() -> None:
    assert issues_of(naming(f"{CORE}/Observation")) == []


def test_a_contained_resource_is_judged_by_the_profile_it_names() -> None:
    inner = {"resourceType": "Patient", "id": "p", "meta": {"profile": [f"{BASE}/StructureDefinition/patient"]}}
    found = issues_of({**FREE, "contained": [inner], "subject": {"reference": "#p"}})
    assert "Observation.contained[0].gender" in {i.expression for i in found}


@pytest.fixture
def failing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A published profile whose invariant cannot be evaluated."""
    profile = definition(element("Observation", constraint=rule("code.text + 1 > 0")))
    compiled = compile_folder(written(tmp_path, profile))
    monkeypatch.setattr(judge, "published", lambda: compiled)
    return


@pytest.mark.usefixtures("failing")
def test_an_invariant_that_raises_is_an_error_and_no_pass() -> None:
    (issue,) = issues_of(FREE, f"{SMALL}/small")
    assert (issue.severity, issue.message) == (ERROR, "The rule holds (small-1; this could not be evaluated).")


def test_what_the_rules_cannot_read_is_said_once() -> None:
    wrong = {**RIGHT, "valueQuantity": quantity(11, "{score}")}
    assert told(all_issues(wrong)) == [
        (ERROR, "Observation.value.value", "11 cannot be: 0 to 10 (end points of the scale).")
    ]
    assert told(all_issues(wrong, "Bundle.entry[2].resource"))[0][1] == "Bundle.entry[2].resource.value.value"


def test_places_are_those_of_fhirpath() -> None:
    """`value` is the element, `valueQuantity` its name in JSON (http://hl7.org/fhirpath/N1/#polymorphic-items)."""
    part = {"code": local("advance-left").concept, "valueQuantity": {"value": "1"}}
    setting = {**RIGHT, "code": local("protrusion-setting").concept, "component": [part]}
    assert "Observation.component[0].value.value" in {i.expression for i in issues_of(setting)}


def test_only_types_that_are_held_are_stored() -> None:
    assert issues_of({"resourceType": "Basic", "code": {"text": "x"}}) == []
    (problem,) = validate({"resourceType": "Basic", "code": {"text": "x"}})
    assert problem.message == "«Basic» is not a resource type this service holds."


def test_a_resource_without_a_type_is_told_so_in_its_place() -> None:
    assert [p.path for p in validate({})] == ["resourceType"]
    assert [p.path for p in validate({}, "Bundle.entry[0].resource")] == ["Bundle.entry[0].resource.resourceType"]


def test_the_profile_a_resource_belongs_to_is_named_beside_others() -> None:
    made = with_profile(naming("https://a.example/other", resource=RIGHT))
    assert made["meta"]["profile"] == ["https://a.example/other", SNORING]
    assert with_profile(made) == made
    assert with_profile(FREE) is FREE


def test_every_published_profile_is_named_for_its_type() -> None:
    by_type = {(p.kind, url) for url, p in judge.published().items()}
    assert {(kind, url) for kind, urls in profiles_by_type().items() for url in urls} == by_type
    assert (RIGHT["resourceType"], profile_of(RIGHT)) in by_type
