"""Each feature of a profile, kept and broken (https://hl7.org/fhir/R4/profiling.html)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.fhir.build import Resource
from service.fhir.conformance.issue import ERROR, WARNING
from tests.fhir.conformance.small import COLOURS, colour, definition, element, rule, sliced, told

OBSERVATION: Resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
PATIENT_ONLY = [{"code": "Reference", "targetProfile": ["http://hl7.org/fhir/StructureDefinition/Patient"]}]
OURS = {"strength": "required", "valueSet": "https://a.example/ValueSet/colours"}
RED = element("Observation.component:red", min=1, max="1")
RED_CODE = element("Observation.component:red.code", patternCodeableConcept=colour("red"))
RED_VALUE = element("Observation.component:red.value[x]", min=1, type=[{"code": "integer"}])
BLUE = element("Observation.component:blue", max="1")
BLUE_CODE = element("Observation.component:blue.code", patternCodeableConcept=colour("blue"))
PARTS = (RED, RED_CODE, RED_VALUE, BLUE, BLUE_CODE)
OPEN = (sliced("Observation.component", "code"), *PARTS)
CLOSED = (sliced("Observation.component", "code", "closed"), *PARTS)
BY_CODE = (
    sliced("Observation.category", "coding.code", kind="value", min=1),
    element("Observation.category:one", min=1, max="1"),
    element("Observation.category:one.coding.code", fixedCode="one"),
)
BY_THIS = (
    sliced("Observation.category", "$this"),
    element("Observation.category:red", min=1, max="1", patternCodeableConcept=colour("red")),
)
BY_TYPE = (
    sliced("Observation.component", "value", "closed", kind="type"),
    element("Observation.component:number", min=1, max="1"),
    element("Observation.component:number.value[x]", type=[{"code": "integer"}]),
    element("Observation.component:word", max="1"),
    element("Observation.component:word.value[x]", type=[{"code": "string"}]),
)


def part(code: str, **value: Any) -> Resource:
    return {"code": colour(code), **value}


def mm(**says: Any) -> Resource:
    return {"valueQuantity": {"value": 1, "code": "mm", "system": "http://unitsofmeasure.org", **says}}


ONE = {"valueInteger": 1}
KEPT: list[tuple[str, tuple[Resource, ...], Resource]] = [
    ("required", (element("Observation.category", min=1),), {"category": [{"text": "x"}]}),
    ("no more than", (element("Observation.category", max="1"),), {"category": [{"text": "x"}]}),
    ("not at all", (element("Observation.method", max="0"),), {}),
    ("required by an extension on a primitive", (element("Observation.issued", min=1),), {"_issued": {"extension": [{"url": "https://a.example", "valueBoolean": True}]}}),
    ("type", (element("Observation.value[x]", type=[{"code": "Quantity"}, {"code": "integer"}]),), ONE),
    ("type, when nothing is there", (element("Observation.value[x]", type=[{"code": "Quantity"}]),), {}),
    ("child of a choice", (element("Observation.value[x]", type=[{"code": "Quantity"}]), element("Observation.value[x].value", min=1), element("Observation.value[x].comparator", max="0")), mm()),
    ("child of nothing", (element("Observation.value[x]", type=[{"code": "Quantity"}]), element("Observation.value[x].value", min=1)), {}),
    ("fixed", (element("Observation.status", fixedCode="final"),), {}),
    ("pattern with more beside it", (element("Observation.method", patternCodeableConcept=colour("red")),), {"method": {"text": "x", "coding": [{"system": "https://b.example", "code": "y"}, {**colour("red")["coding"][0], "display": "Red"}]}}),
    ("pattern of a quantity", (element("Observation.value[x]", patternQuantity={"code": "mm"}),), mm()),
    ("our value set", (element("Observation.method", binding=OURS),), {"method": colour("blue")}),
    ("an extensible one", (element("Observation.method", binding={**OURS, "strength": "extensible"}),), {"method": colour("green")}),
    ("a value set of R4", (element("Observation.status", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/observation-status"}),), {}),
    ("target", (element("Observation.subject", type=PATIENT_ONLY),), {"subject": {"reference": "Patient/1"}}),
    ("target that does not say", (element("Observation.subject", type=PATIENT_ONLY),), {"subject": {"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}}),
    ("target inside", (element("Observation.subject", type=PATIENT_ONLY),), {"contained": [{"resourceType": "Patient", "id": "p"}], "subject": {"reference": "#p"}}),
    ("invariant", (element("Observation", constraint=rule("status = 'final'")),), {}),
    ("invariant on a primitive", (element("Observation.value[x]", type=[{"code": "integer"}], constraint=rule("$this > 0")),), ONE),
    ("invariant by the library", (element("Observation.value[x]", constraint=rule("$this is Quantity or $this is integer")),), ONE),
    ("open slices", OPEN, {"component": [part("red", **ONE), part("green")]}),
    ("both slices", OPEN, {"component": [part("blue"), part("red", **ONE)]}),
    ("closed slices", CLOSED, {"component": [part("red", **ONE)]}),
    ("slices by value", BY_CODE, {"category": [{"coding": [{"code": "one"}]}, {"text": "x"}]}),
    ("slices by themselves", BY_THIS, {"category": [colour("blue"), colour("red")]}),
    ("slices by type", BY_TYPE, {"component": [part("red", **ONE), part("red", valueString="x")]}),
]  # fmt: skip


@pytest.mark.parametrize(("elements", "says"), [row[1:] for row in KEPT], ids=[row[0] for row in KEPT])
def test_a_resource_that_keeps_to_it(tmp_path: Path, elements: tuple[Resource, ...], says: Resource) -> None:
    assert told(tmp_path, definition(*elements), {**OBSERVATION, **says}) == []


BROKEN: list[tuple[str, tuple[Resource, ...], Resource, str, str]] = [
    ("required", (element("Observation.category", min=1),), {}, "category", "«category» is required."),
    ("more than one required", (element("Observation.category", min=2),), {"category": [{"text": "x"}]}, "category", "«category» must stand there 2 times or more."),
    ("no more than", (element("Observation.category", max="1"),), {"category": [{"text": "x"}, {"text": "y"}]}, "category[1]", "«category» may stand there only once."),
    ("not at all", (element("Observation.method", max="0"),), {"method": {"text": "x"}}, "method", "«method» may not stand there."),
    ("type", (element("Observation.value[x]", type=[{"code": "Quantity"}]),), ONE, "value", "A value of type Quantity is needed."),
    ("child of a choice", (element("Observation.value[x]", type=[{"code": "Quantity"}]), element("Observation.value[x].unit", min=1)), mm(), "value.unit", "«unit» is required."),
    ("child that may not be", (element("Observation.value[x]", type=[{"code": "Quantity"}]), element("Observation.value[x].comparator", max="0")), mm(comparator="<"), "value.comparator", "«comparator» may not stand there."),
    ("fixed", (element("Observation.status", fixedCode="amended"),), {}, "status", "«amended» is needed here."),
    ("pattern", (element("Observation.method", patternCodeableConcept=colour("red")),), {"method": colour("blue")}, "method", f"The code «red» of {COLOURS} is needed here."),
    ("pattern on no value", (element("Observation.issued", patternInstant="2020-01-01T00:00:00Z"),), {"_issued": {"extension": []}}, "issued", "«2020-01-01T00:00:00Z» is needed here."),
    ("our value set", (element("Observation.method", binding=OURS),), {"method": colour("green")}, "method", "One of blue, red is needed here."),
    ("our value set without a code", (element("Observation.method", binding=OURS),), {"method": {"text": "red"}}, "method", "One of blue, red is needed here."),
    ("our codes of another system", (element("Observation.method", binding=OURS),), {"method": {"coding": [{"system": "https://b.example", "code": "red"}]}}, "method", "One of blue, red is needed here."),
    ("target", (element("Observation.subject", type=PATIENT_ONLY),), {"subject": {"reference": "https://a.example/fhir/Group/1"}}, "subject.reference", "«https://a.example/fhir/Group/1» is not a Patient."),
    ("target inside", (element("Observation.subject", type=PATIENT_ONLY),), {"contained": [{"resourceType": "Group", "id": "p"}], "subject": {"reference": "#p"}}, "subject.reference", "«#p» is not a Patient."),
    ("invariant", (element("Observation", constraint=rule("status = 'amended'")),), {}, "", "The rule holds."),
    ("invariant without an answer", (element("Observation", constraint=rule("method.text = 'x'")),), {}, "", "The rule holds."),
    ("invariant on a value that is not there", (element("Observation.issued", constraint=rule("$this.toString().length() > 4")),), {"_issued": {"extension": []}}, "issued", "The rule holds."),
    ("invariant by the library", (element("Observation.value[x]", constraint=rule("$this is Quantity")),), ONE, "value", "The rule holds."),
    ("invariant that cannot be evaluated", (element("Observation", constraint=rule("category.text > 1")),), {"category": [{"text": "x"}, {"text": "y"}]}, "", "The rule holds (small-1; this could not be evaluated)."),
    ("invariant that the library cannot evaluate", (element("Observation", constraint=rule("category.text.single().length() > 0")),), {"category": [{"text": "x"}, {"text": "y"}]}, "", "The rule holds (small-1; this could not be evaluated)."),
    ("a slice that must be there", OPEN, {"component": [part("blue")]}, "component", "«red» in component is required."),
    ("a slice twice", OPEN, {"component": [part("red", **ONE), part("red", **ONE)]}, "component[1]", "«red» in component may stand there only once."),
    ("an element in a slice", OPEN, {"component": [part("red")]}, "component[0].value", "«value[x]» is required."),
    ("a type in a slice", OPEN, {"component": [part("red", valueString="x")]}, "component[0].value", "A value of type integer is needed."),
    ("beside closed slices", CLOSED, {"component": [part("red", **ONE), part("green")]}, "component[1]", "This is none of what may stand here: red, blue."),
    ("a slice by value", BY_CODE, {"category": [{"coding": [{"code": "two"}]}]}, "category", "«one» in category is required."),
    ("a slice by itself", BY_THIS, {"category": [colour("blue")]}, "category", "«red» in category is required."),
    ("a slice by type", BY_TYPE, {"component": [part("red", valueString="x")]}, "component", "«number» in component is required."),
    ("beside closed slices by type", BY_TYPE, {"component": [part("red", **ONE), part("red", valueBoolean=True)]}, "component[1]", "This is none of what may stand here: number, word."),
]  # fmt: skip


@pytest.mark.parametrize(
    ("elements", "says", "place", "sentence"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN]
)
def test_a_resource_that_breaks_it(
    tmp_path: Path, elements: tuple[Resource, ...], says: Resource, place: str, sentence: str
) -> None:
    issues = told(tmp_path, definition(*elements), {**OBSERVATION, **says})
    assert [(i.severity, i.expression, i.message) for i in issues] == [
        (ERROR, f"Observation.{place}".removesuffix("."), sentence)
    ]
    assert issues[0].asked_by == "https://a.example/StructureDefinition/small"


def test_an_invariant_that_only_warns(tmp_path: Path) -> None:
    profile = definition(element("Observation", constraint=rule("status = 'amended'", "warning")))
    assert [i.severity for i in told(tmp_path, profile, OBSERVATION)] == [WARNING]


@pytest.mark.parametrize(
    ("kind", "resource", "place"),
    [
        ("QuestionnaireResponse", {"item": [{"linkId": "a"}, {"linkId": "zzz"}]}, "QuestionnaireResponse.item[1]"),
        ("QuestionnaireResponse", {"item": [{"linkId": "a"}, {"linkId": "a"}]}, "QuestionnaireResponse.item[1]"),
    ],
)
def test_slices_by_a_text(tmp_path: Path, kind: str, resource: Resource, place: str) -> None:
    """Slices by a primitive, as the items of a QuestionnaireResponse by linkId."""
    slices = (
        sliced("QuestionnaireResponse.item", "linkId", "closed"),
        element("QuestionnaireResponse.item:a", max="1"),
        element("QuestionnaireResponse.item:a.linkId", patternString="a"),
    )
    found = told(tmp_path, definition(*slices, kind=kind), {"resourceType": kind, **resource})
    assert [i.expression for i in found] == [place]
