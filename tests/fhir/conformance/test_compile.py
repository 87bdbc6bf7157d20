"""What the compiler does not know stops it, with the file and the element: nothing is passed over in silence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.fhir.build import Resource
from service.fhir.conformance import published
from service.fhir.conformance.differential import NotCompiled
from service.fhir.conformance.published import compile_folder
from service.fhir.json_text import write
from tests.fhir.conformance.small import VALUE_SET, colour, definition, element, rule, sliced, written

FILE = "StructureDefinition-small.json"
PART = sliced("Observation.component", "code")
SLICE = element("Observation.component:red", min=1, max="1")
OURS = "https://a.example/ValueSet/colours"


def core(kind: str) -> str:
    return f"http://hl7.org/fhir/StructureDefinition/{kind}"


STOPPED: list[tuple[str, Resource, str]] = [
    ("an unknown part of the definition", definition(context=[]), f"{FILE}: StructureDefinition: «context» is not known."),
    ("a snapshot", definition(snapshot={}), f"{FILE}: StructureDefinition: «snapshot» is not known."),
    ("no constraint", definition(derivation="specialization"), f"{FILE}: StructureDefinition: only constraints on R4"),
    ("an unknown type", definition(kind="Toothbrush"), f"{FILE}: StructureDefinition: only constraints on R4"),
    ("a datatype", definition(kind="Quantity"), f"{FILE}: StructureDefinition: only constraints on R4"),
    ("an unknown parent", definition(baseDefinition=core("vitalsigns")), f"{FILE}: StructureDefinition: derived from {core('vitalsigns')}, which is not known."),
    ("no differential", definition(differential=None), f"{FILE}: StructureDefinition: a url and a differential are needed."),
    ("an element without id", definition({"path": "Observation.code"}), f"{FILE}: an element: it has no id."),
    ("an unknown property", definition(element("Observation.code", maxLength=5)), f"{FILE}: Observation.code: «maxLength» is not known."),
    ("a default value", definition(element("Observation.status", defaultValueCode="x")), f"{FILE}: Observation.status: «defaultValueCode» is not known."),
    ("an unknown element", definition(element("Observation.colour")), f"{FILE}: Observation.colour: base R4 has no such element."),
    ("an unknown element below", definition(element("Observation.code.colour")), f"{FILE}: Observation.code.colour: base R4 has no such element."),
    ("an element below a primitive", definition(element("Observation.status.code")), f"{FILE}: Observation.status.code: base R4 has no such element."),
    ("a choice by one type's name", definition(element("Observation.valueQuantity")), f"{FILE}: Observation.valueQuantity: base R4 has no such element."),
    ("a child only some types have", definition(element("Observation.value[x].unit")), f"{FILE}: Observation.value[x].unit: base R4 has no such element."),
    ("an element of another resource", definition(element("Patient.name")), f"{FILE}: Patient: an element outside the resource."),
    ("an element twice", definition(element("Observation.code"), element("Observation.code")), f"{FILE}: Observation.code: it stands twice."),
    ("a path that is not the id's", definition({"id": "Observation.code", "path": "Observation.status"}), f"{FILE}: Observation.code: the path Observation.status is not that of the id."),
    ("a slice name without slice", definition({"id": "Observation.code", "path": "Observation.code", "sliceName": "x"}), f"{FILE}: Observation.code: sliceName on an element whose id names no slice."),
    ("another slice name", definition(PART, {**SLICE, "sliceName": "blue"}), f"{FILE}: Observation.component:red: sliceName is not that of the id."),
    ("a slice of what is not sliced", definition(element("Observation.component"), SLICE), f"{FILE}: Observation.component:red: a slice of an element that is not sliced."),
    ("a slice nothing tells apart", definition(PART, SLICE), f"{FILE}: Observation.component:red: nothing at code tells the slice apart."),
    ("an unknown discriminator", definition(sliced("Observation.component", "code", kind="exists")), f"{FILE}: Observation.component: a discriminator of type «exists» is not known."),
    ("a discriminator by profile", definition(sliced("Observation.component", "code", kind="profile")), f"{FILE}: Observation.component: a discriminator of type «profile» is not known."),
    ("a path with a function", definition(sliced("Observation.component", "value.resolve()")), f"{FILE}: Observation.component: the discriminator path «value.resolve()» is not known."),
    ("open at end", definition(sliced("Observation.component", "code", "openAtEnd")), f"{FILE}: Observation.component: slicing rules «openAtEnd» are not known."),
    ("ordered slices", definition(element("Observation.component", slicing={"discriminator": [{"type": "value", "path": "code"}], "ordered": True, "rules": "open"})), f"{FILE}: Observation.component: ordered slices are not known."),
    ("no discriminator", definition(element("Observation.component", slicing={"rules": "open"})), f"{FILE}: Observation.component: slices without a discriminator are not known."),
    ("an unknown part of slicing", definition(element("Observation.component", slicing={"rules": "open", "depth": 1})), f"{FILE}: Observation.component: «slicing.depth» is not known."),
    ("fewer than R4 asks for", definition(element("Observation.status", min=0)), f"{FILE}: Observation.status: its cardinality is not inside that of base R4."),
    ("more than R4 allows", definition(element("Observation.status", max="2")), f"{FILE}: Observation.status: its cardinality is not inside that of base R4."),
    ("without end where R4 has one", definition(element("Observation.status", max="*")), f"{FILE}: Observation.status: its cardinality is not inside that of base R4."),
    ("min above max", definition(element("Observation.category", min=3, max="2")), f"{FILE}: Observation.category: its cardinality is not inside that of base R4."),
    ("a max that is no number", definition(element("Observation.category", max="many")), f"{FILE}: Observation.category: min and max are not as they must be."),
    ("a type R4 does not allow", definition(element("Observation.value[x]", type=[{"code": "decimal"}])), f"{FILE}: Observation.value[x]: base R4 does not allow the type decimal here."),
    ("a profile on a type", definition(element("Observation.value[x]", type=[{"code": "Quantity", "profile": ["x"]}])), f"{FILE}: Observation.value[x]: «type.profile» is not known."),
    ("aggregation", definition(element("Observation.subject", type=[{"code": "Reference", "aggregation": ["bundled"]}])), f"{FILE}: Observation.subject: «type.aggregation» is not known."),
    ("a target R4 does not allow", definition(element("Observation.subject", type=[{"code": "Reference", "targetProfile": [core("Practitioner")]}])), f"{FILE}: Observation.subject: base R4 does not allow references to {core('Practitioner')} here."),
    ("an unknown target", definition(element("Observation.subject", type=[{"code": "Reference", "targetProfile": ["https://a.example/x"]}])), f"{FILE}: Observation.subject: base R4 does not allow references to https://a.example/x here."),
    ("a fixed value of another type", definition(element("Observation.status", fixedString="final")), f"{FILE}: Observation.status: the element cannot be a String, as «fixedString» says."),
    ("a pattern of another type", definition(element("Observation.code", patternQuantity={})), f"{FILE}: Observation.code: the element cannot be a Quantity, as «patternQuantity» says."),
    ("an unknown value set", definition(element("Observation.code", binding={"strength": "required", "valueSet": "https://a.example/x"})), f"{FILE}: Observation.code: the codes of the value set https://a.example/x are not known."),
    ("a value set R4 does not list", definition(element("Observation.language", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/all-languages"})), f"{FILE}: Observation.language: the codes of the value set http://hl7.org/fhir/ValueSet/all-languages are not known."),
    ("an unknown strength", definition(element("Observation.code", binding={"strength": "strong", "valueSet": OURS})), f"{FILE}: Observation.code: a binding of strength strong is not known."),
    ("an unknown part of a binding", definition(element("Observation.code", binding={"strength": "required", "valueSet": OURS, "extension": []})), f"{FILE}: Observation.code: «binding.extension» is not known."),
    ("an invariant that is no FHIRPath", definition(element("Observation", constraint=rule("status ="))), f"{FILE}: Observation: the invariant small-1 cannot be parsed."),
    ("an invariant without expression", definition(element("Observation.code", constraint=[{"key": "k", "severity": "error"}])), f"{FILE}: Observation.code: the invariant k needs a severity and an expression."),
    ("an invariant of unknown severity", definition(element("Observation.code", constraint=rule("true", "fatal"))), f"{FILE}: Observation.code: the invariant small-1 needs a severity and an expression."),
    ("an unknown part of an invariant", definition(element("Observation.code", constraint=[{**rule("true")[0], "suppress": True}])), f"{FILE}: Observation.code: «constraint.suppress» is not known."),
    ("a type on the resource", definition(element("Observation", type=[{"code": "Observation"}])), f"{FILE}: Observation: only invariants are known on the resource itself."),
]  # fmt: skip


@pytest.mark.parametrize(("profile", "message"), [row[1:] for row in STOPPED], ids=[row[0] for row in STOPPED])
def test_what_is_not_known_stops_the_compiler(tmp_path: Path, profile: Resource, message: str) -> None:
    with pytest.raises(NotCompiled) as stopped:
        compile_folder(written(tmp_path, profile))
    assert str(stopped.value).startswith(message)


VALUE_SETS: list[tuple[Any, str]] = [
    ({"exclude": []}, "only value sets that list what they include are known."),
    ({"include": [{"system": "https://a.example", "filter": []}]}, "«filter» is not known."),
    ({"include": [{"valueSet": ["https://a.example"]}]}, "«valueSet» is not known."),
    ({"include": [{"system": "https://a.example"}]}, "a system and its concepts are needed."),
]


@pytest.mark.parametrize(("compose", "message"), VALUE_SETS)
def test_a_value_set_that_does_not_list_its_codes_stops_it(tmp_path: Path, compose: Resource, message: str) -> None:
    with pytest.raises(NotCompiled) as stopped:
        compile_folder(written(tmp_path, definition(), {**VALUE_SET, "compose": compose}))
    assert str(stopped.value).startswith("ValueSet-colours.json: ValueSet.compose")
    assert str(stopped.value).endswith(message)


@pytest.mark.parametrize("text", ["{", "[]", '{"a": NaN'])
def test_a_file_that_is_no_json_object_stops_it(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(NotCompiled, match=f"{FILE}: the file"):
        compile_folder(tmp_path)


def test_a_folder_without_profiles_stops_it(tmp_path: Path) -> None:
    with pytest.raises(NotCompiled, match="no StructureDefinition is there"):
        compile_folder(tmp_path)


@pytest.mark.parametrize(
    ("item", "message"),
    [
        ({"linkId": "a", "type": "string", "enableWhen": []}, "item[0]: «enableWhen» is not known"),
        ({"linkId": "a", "type": "group"}, "item[0]: a question of type group is not known"),
    ],
)
def test_a_questionnaire_with_more_than_is_known_stops_it(tmp_path: Path, item: Resource, message: str) -> None:
    (tmp_path / "Questionnaire-x.json").write_text(write({"url": "https://a.example/q", "item": [item]}))
    with pytest.raises(NotCompiled) as stopped:
        published.questionnaires_of(tmp_path)
    assert str(stopped.value) == f"Questionnaire-x.json: {message}."


def test_what_says_nothing_to_check_is_no_reason_to_stop(tmp_path: Path) -> None:
    words = {"short": "a", "definition": "b", "comment": "c", "mustSupport": True, "alias": ["d"], "isSummary": True}
    slices = (PART, SLICE, element("Observation.component:red.code", patternCodeableConcept=colour("red")))
    assert len(compile_folder(written(tmp_path, definition(element("Observation.status", **words), *slices)))) == 1


def test_every_published_profile_is_compiled_once() -> None:
    assert len(published.published()) == len(
        list((Path(__file__).parents[3] / "profiles").glob("StructureDefinition-*"))
    )
    assert published.published() is published.published()
