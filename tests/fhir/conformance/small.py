"""Small profiles and resources for the tests of the compiler."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.fhir.build import Resource
from service.fhir.conformance.issue import Findings, Issue, Where
from service.fhir.conformance.profile_check import check_profile
from service.fhir.conformance.published import compile_folder
from service.fhir.json_text import write

BASE = "https://a.example/StructureDefinition"
COLOURS = "https://a.example/CodeSystem/colours"


def definition(*elements: Resource, kind: str = "Observation", **changes: Any) -> Resource:
    """A StructureDefinition named `small` with these elements in its differential."""
    made: Resource = {
        "resourceType": "StructureDefinition",
        "url": f"{BASE}/small",
        "name": "Small",
        "status": "draft",
        "kind": "resource",
        "abstract": False,
        "type": kind,
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "derivation": "constraint",
        "differential": {"element": list(elements)},
    }
    return {k: v for k, v in {**made, **changes}.items() if v is not None}


def element(element_id: str, **says: Any) -> Resource:
    """An ElementDefinition; its path and slice name follow from its id."""
    last = element_id.rpartition(".")[2]
    named = {"sliceName": last.split(":")[1]} if ":" in last else {}
    path = ".".join(step.split(":")[0] for step in element_id.split("."))
    return {"id": element_id, "path": path, **named, **says}


def sliced(path: str, by: str, rules: str = "open", kind: str = "pattern", **says: Any) -> Resource:
    """The entry of a slicing."""
    discriminator = [{"type": kind, "path": by}]
    return element(path, slicing={"discriminator": discriminator, "ordered": False, "rules": rules}, **says)


def rule(expression: str, severity: str = "error") -> list[Resource]:
    return [{"key": "small-1", "severity": severity, "human": "The rule holds.", "expression": expression}]


def colour(code: str) -> Resource:
    return {"coding": [{"system": COLOURS, "code": code}]}


VALUE_SET: Resource = {
    "resourceType": "ValueSet",
    "url": "https://a.example/ValueSet/colours",
    "status": "draft",
    "compose": {"include": [{"system": COLOURS, "concept": [{"code": "red"}, {"code": "blue"}]}]},
}


def written(folder: Path, profile: Resource, value_set: Resource = VALUE_SET) -> Path:
    """A folder that holds the profile and a value set."""
    (folder / "StructureDefinition-small.json").write_text(write(profile))
    (folder / "ValueSet-colours.json").write_text(write(value_set))
    return folder


def told(folder: Path, profile: Resource, resource: Resource) -> list[Issue]:
    """What the profile alone says of a resource."""
    (compiled,) = compile_folder(written(folder, profile)).values()
    findings = Findings()
    check_profile(compiled, resource, Where(None, resource["resourceType"]), findings)
    return findings.issues
