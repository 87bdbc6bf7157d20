"""Base R4 without any profile: what is said of a resource, and where (https://hl7.org/fhir/R4/validation.html)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.build import Resource
from service.fhir.codes import UCUM, local
from service.fhir.conformance.issue import ERROR
from service.fhir.conformance.judge import issues_of
from service.fhir.validate import all_issues

DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'
NOTE = {"url": "https://a.example/note", "valueString": "x"}
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
OBSERVATION: Resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
INNER: Resource = {"resourceType": "Patient", "id": "p"}
SUBJECT = {"subject": {"reference": "#p"}}
TASK: Resource = {"resourceType": "Task", "status": "requested", "intent": "order"}
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


def errors(resource: Any) -> list[tuple[str, str]]:
    return [(i.expression, i.message) for i in issues_of(resource) if i.severity == ERROR]


RIGHT: list[Resource] = [
    {},
    {"_status": {"id": "s"}},
    {"issued": "2026-10-04T10:00:00Z", "effectivePeriod": {"start": "2026-10-04", "end": "2026-10-05"}},
    {"category": [{"coding": [{"system": CATEGORY, "code": "exam"}]}, {"coding": [{"system": "https://a.example", "code": "any"}]}]},
    {"contained": [INNER], **SUBJECT},
    {"contained": [{**INNER, "managingOrganization": {"reference": "#o"}}, {"resourceType": "Organization", "id": "o", "name": "x"}], **SUBJECT},
    {"contained": [{"resourceType": "Provenance", "id": "a", "target": [{"reference": "#"}], "recorded": "2026-10-04T10:00:00Z", "agent": [{"who": {"display": "x"}}]}]},
    {"subject": {"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}},
    {"subject": {"reference": "Patient/1", "type": "Patient"}, "focus": [{"reference": "Anything/1"}]},
    {"extension": [NOTE], "modifierExtension": [NOTE]},
    {"extension": [{"url": "https://a.example/many", "extension": [{"url": "part", "valueString": "x"}]}]},
    {"_issued": {"extension": [{"url": ABSENT, "valueCode": "unknown"}]}},
    {"note": [{"id": "n", "text": "x"}]},
    {"valueQuantity": {"value": 1, "system": UCUM, "code": "mm"}},
    {"valueRange": {"low": {"value": 1, "unit": "mm"}, "high": {"value": 2, "unit": "mm"}}},
    {"text": {"status": "generated", "div": DIV.format("x")}},
]  # fmt: skip


@pytest.mark.parametrize("says", RIGHT, ids=str)
def test_what_may_stand(says: Resource) -> None:
    assert errors({**OBSERVATION, **says}) == []


WRONG: list[tuple[Resource, str, str]] = [
    ({"status": None}, "status", "The element is null; leave it out instead."),
    ({"status": ""}, "status", "The element is empty; leave it out instead."),
    ({"status": ["final"]}, "status", "Text is needed."),
    ({"status": "finished"}, "status", "«finished» is not one of registered, preliminary, final"),
    ({"code": []}, "code", "The element is empty; leave it out instead."),
    ({"code": "x"}, "code", "An object is needed."),
    ({"code": {"id": "c"}}, "code", "The element holds an id and nothing else; leave it out instead."),
    ({"code": {}}, "code", "The element is empty; leave it out instead."),
    ({"note": {"text": "x"}}, "note", "A list is needed."),
    ({"note": None}, "note", "The element is null; leave it out instead."),
    ({"note": [None]}, "note[0]", "The element is null; leave it out instead."),
    ({"note": [{}]}, "note[0]", "The element is empty; leave it out instead."),
    ({"note": [{"authorString": "x"}]}, "note[0].text", "«text» is required."),
    ({"note": [{"id": "n", "text": "x"}, {"id": "n", "text": "y"}]}, "note[1].id", "The id «n» stands twice in the resource."),
    ({"colour": 1}, "colour", "There is no element «colour» here."),
    ({"fhir_comments": ["x"]}, "fhir_comments", "There is no element «fhir_comments» here."),
    ({"_code": {"id": "x"}}, "_code", "There is no element «_code» here."),
    ({"code": {"resourceType": "CodeableConcept", "text": "x"}}, "code.resourceType", "There is no element «resourceType» here."),
    ({"valueString": "x", "valueInteger": 1}, "value", "Exactly one value[x] is needed."),
    ({"valueDecimal": 1}, "valueDecimal", "There is no element «valueDecimal» here."),
    ({"_issued": {"id": "x"}}, "issued", "The element holds an id and nothing else; leave it out instead."),
    ({"_issued": "x"}, "issued", "An object is needed."),
    ({"_issued": [None]}, "issued", "An object is needed."),
    ({"_issued": None}, "issued", "The element is null; leave it out instead."),
    ({"_id": {"extension": [NOTE]}}, "id", "A value is needed here; an extension cannot stand in its place."),
    ({"language": "en", "_language": {"extension": [{"url": "x", "valueString": "x"}]}}, "language.extension[0].url", "«x» is not an absolute address"),
    ({"extension": [{"url": "https://a.example"}]}, "extension[0]", "An extension has either a value or extensions of its own (ext-1)."),
    ({"extension": [{**NOTE, "extension": [NOTE]}]}, "extension[0]", "An extension has either a value or extensions of its own (ext-1)."),
    ({"extension": [{"url": ABSENT, "valueCode": "gone"}]}, "extension[0].value", "«gone» is not one of unknown"),
    ({"extension": [{"url": ABSENT, "valueString": "unknown"}]}, "extension[0].value", f"The extension {ABSENT} holds code, not string."),
    ({"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime", "valueDateTime": "2026"}]}, "extension[0]", "The extension http://hl7.org/fhir/StructureDefinition/patient-birthTime may not stand here, only at Patient.birthDate."),
    ({"contained": [INNER]}, "contained[0]", "Nothing refers to the contained resource «p» (dom-3)."),
    ({"contained": [{"resourceType": "Patient"}]}, "contained[0].id", "A contained resource needs an id."),
    ({"contained": [INNER, INNER], **SUBJECT}, "contained[1].id", "Two contained resources have the id «p»."),
    ({"contained": [{**INNER, "colour": 1}], **SUBJECT}, "contained[0].colour", "There is no element «colour» here."),
    ({"contained": [{**INNER, "meta": {"versionId": "1"}}], **SUBJECT}, "", "If a resource is contained in another resource, it SHALL NOT have a meta.versionId or a meta.lastUpdated (dom-4)."),
    ({"contained": [{"resourceType": "Practitioner", "id": "p"}], **SUBJECT}, "subject.reference", "«#p» is not a Device or Group or Location or Patient."),
    ({"subject": {"reference": "#q"}}, "subject.reference", "No contained resource has the id «q»."),
    ({"subject": {"reference": "Practitioner/1"}}, "subject.reference", "«Practitioner/1» is not a Device or Group or Location or Patient."),
    ({"subject": {"reference": "Patient/1", "type": "Group"}}, "subject.type", "The reference leads to a Patient, not to a Group."),
    ({"subject": {"reference": "who knows"}}, "subject.reference", "«who knows» is not an address; an address holds no white space."),
    ({"category": [{"coding": [{"system": CATEGORY, "code": "colour"}]}]}, "category[0].coding[0].code", f"The code system {CATEGORY} has no code «colour»."),
    ({"category": [{"coding": [{"system": CATEGORY}]}]}, "category[0].coding[0]", f"A code of the code system {CATEGORY} is needed."),
    ({"code": {"coding": [{**local("snoring").coding, "code": "x"}]}}, "code.coding[0].code", "The code system https://airway-relay.example/fhir/CodeSystem/airway-relay... has no code «x»."),
    ({"identifier": [{"system": "my numbers", "value": "1"}]}, "identifier[0].system", "An address holds no white space."),
    ({"identifier": [{"system": "numbers", "value": "1"}]}, "identifier[0].system", "«numbers» is not an absolute address, such as https://a.example/b."),
    ({"identifier": [{"system": "urn:ietf:rfc:3986", "value": "1"}]}, "identifier[0].value", "The system says that the value is an address; «1» is none."),
    ({"valueQuantity": {"value": 1, "system": UCUM, "code": "inch"}}, "value.code", "«inch» is not a unit of UCUM."),
    ({"valueQuantity": {"value": 1, "code": "mm"}}, "value", "If a code for the unit is present, the system SHALL also be present (qty-3)."),
    ({"valueRange": {"low": {"value": 1, "comparator": "<"}}}, "value.low.comparator", "There is no element «comparator» here."),
    ({"effectivePeriod": {"start": "2026-10-05", "end": "2026-10-04"}}, "effective", "If present, start SHALL have a lower value than end (per-1)."),
    ({"text": {"status": "generated", "div": "hello"}}, "text.div", "The narrative is not well-formed XHTML without entities, document types or CDATA of its own."),
]  # fmt: skip


@pytest.mark.parametrize(("says", "place", "sentence"), WRONG, ids=[f"{p}: {s[:40]}" for _, p, s in WRONG])
def test_what_may_not_stand(says: Resource, place: str, sentence: str) -> None:
    ((expression, message),) = errors({**OBSERVATION, **says})
    assert (expression, message[: len(sentence)]) == (f"Observation.{place}".removesuffix("."), sentence)
    assert message.endswith(".")


GIVEN: list[tuple[Resource, list[str]]] = [
    ({"given": ["a", None], "_given": [None, {"extension": [NOTE]}]}, []),
    ({"given": ["a", "b"], "_given": [{"extension": [NOTE]}]}, []),
    ({"given": ["a", None]}, ["name[0].given[1]"]),
    ({"given": ["a", None], "_given": [None, None]}, ["name[0].given[1]"]),
    ({"given": ["a"], "_given": [None, {"extension": [NOTE]}]}, ["name[0].given"]),
    ({"given": [], "family": "a"}, ["name[0].given"]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "places"), GIVEN)
def test_nulls_stand_only_where_extensions_do(name: Resource, places: list[str]) -> None:
    """https://hl7.org/fhir/R4/json.html#primitive"""
    contact = {"resourceType": "Practitioner", "identifier": [{"system": "urn:x:1", "value": "1"}]}
    found = errors({**contact, "name": [{"family": "a", **name}]})
    assert [place for place, _ in found] == [f"Practitioner.{place}" for place in places]


@pytest.mark.parametrize(
    ("resource", "place"),
    [
        ({}, "resourceType"),
        ({"resourceType": 5}, "resourceType"),
        ({"resourceType": "Toothbrush"}, "resourceType"),
        ({"resourceType": "DomainResource"}, "resourceType"),
        ({"resourceType": "Quantity"}, "resourceType"),
    ],
)
def test_what_is_no_resource(resource: Resource, place: str) -> None:
    ((expression, _),) = errors(resource)
    assert expression == place


def test_a_resource_without_what_must_be_there() -> None:
    assert [p for p, _ in errors({"resourceType": "Observation"})] == ["Observation.status", "Observation.code"]


def test_a_resource_in_a_bundle_is_judged_in_its_place() -> None:
    inside = {"fullUrl": "https://a.example/Task/1", "resource": {**TASK, "status": "x"}}
    found = errors({"resourceType": "Bundle", "type": "collection", "entry": [inside, {"resource": TASK}]})
    assert [place for place, _ in found] == ["Bundle.entry[0].resource.status", "Bundle.entry[1].fullUrl"]


NESTED = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-3, 3), st.decimals(-9, 9, places=2), st.text(max_size=4))
    | st.sampled_from(["#", "#p", "Patient/1", "2026-10-04", "final", UCUM, "urn:uuid:1", DIV.format("")]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "id",
                    "meta",
                    "profile",
                    "text",
                    "div",
                    "contained",
                    "resourceType",
                    "reference",
                    "type",
                    "extension",
                    "url",
                    "valueString",
                    "valueQuantity",
                    "value",
                    "code",
                    "coding",
                    "system",
                    "status",
                    "identifier",
                    "component",
                    "item",
                    "linkId",
                    "answer",
                    "_status",
                    "effectivePeriod",
                    "start",
                    "end",
                    "category",
                    "name",
                    "given",
                    "_given",
                    "subject",
                    "questionnaire",
                    "low",
                    "high",
                    "valueRange",
                    "valueReference",
                ]
            ),
            inner,
            max_size=6,
        )
    ),
    max_leaves=25,
)
KINDS = st.sampled_from(
    ["Observation", "Patient", "QuestionnaireResponse", "Task", "Device", "Bundle", "Condition", "Provenance"]
)
SHAPED = st.fixed_dictionaries(
    {"resourceType": KINDS},
    optional={
        "code": st.just(local("wear").concept) | st.just(local("protrusion-setting").concept) | NESTED,
        "component": st.lists(st.fixed_dictionaries({"code": st.just(local("advance-left").concept) | NESTED}, optional={"valueQuantity": NESTED}), max_size=3) | NESTED,
        "category": NESTED, "meta": NESTED, "contained": NESTED, "item": NESTED, "text": NESTED, "identifier": NESTED,
        "extension": NESTED, "subject": NESTED, "effectiveDateTime": NESTED, "questionnaire": NESTED, "type": NESTED,
        "property": NESTED, "entry": NESTED, "name": NESTED, "_status": NESTED, "valueRange": NESTED, "agent": NESTED,
    },
)  # fmt: skip


@given(st.dictionaries(st.text(max_size=12), NESTED, max_size=4) | SHAPED)
def test_any_json_has_a_verdict(resource: dict[str, Any]) -> None:
    for issue in [*issues_of(resource), *all_issues(resource)]:
        assert issue.message.endswith(".")
        assert issue.expression
