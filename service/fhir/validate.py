"""Validation of resources that others send: base R4 by typed models, then what the rules must rely on.

The R4B models of fhir.resources fit R4 4.0.1 for the types used here. All problems come in one answer,
each with its FHIRPath expression.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from functools import cache

from pydantic import BaseModel, ValidationError

from service.errors import Category, Problem
from service.fhir.build import Resource, references_in
from service.fhir.element_types import type_problems
from service.fhir.json_text import empty_parts
from service.fhir.model_errors import problems_of
from service.fhir.read_facts import read

TYPES = (
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Condition",
    "ServiceRequest",
    "Task",
    "Device",
    "DeviceUseStatement",
    "Procedure",
    "Encounter",
    "Observation",
    "DiagnosticReport",
    "CarePlan",
    "Goal",
    "Questionnaire",
    "QuestionnaireResponse",
    "Communication",
    "Composition",
    "DocumentReference",
    "Provenance",
    "AuditEvent",
    "GuidanceResponse",
)
"""Resource types the service holds."""

MADE_BY_THE_SERVICE = frozenset({"CarePlan", "AuditEvent", "GuidanceResponse"})
"""Types that clients read and never write."""

_REQUIRED_CODES = {
    ("ServiceRequest", "status"): "draft active on-hold revoked completed entered-in-error unknown",
    ("ServiceRequest", "intent"): "proposal plan directive order original-order reflex-order filler-order "
    "instance-order option",
    ("Task", "status"): "draft requested received accepted rejected ready cancelled in-progress on-hold failed "
    "completed entered-in-error",
    ("Task", "intent"): "unknown proposal plan order original-order reflex-order filler-order instance-order option",
    ("Observation", "status"): "registered preliminary final amended corrected cancelled entered-in-error unknown",
    ("DiagnosticReport", "status"): "registered partial preliminary final amended corrected appended cancelled "
    "entered-in-error unknown",
    ("Device", "status"): "active inactive entered-in-error unknown",
    ("DeviceUseStatement", "status"): "active completed entered-in-error intended stopped on-hold",
    ("QuestionnaireResponse", "status"): "in-progress completed amended entered-in-error stopped",
    ("Encounter", "status"): "planned arrived triaged in-progress onleave finished cancelled entered-in-error unknown",
    ("Procedure", "status"): "preparation in-progress not-done on-hold stopped completed entered-in-error unknown",
    ("Patient", "gender"): "male female other unknown",
    ("Practitioner", "gender"): "male female other unknown",
    ("Communication", "status"): "preparation in-progress not-done on-hold stopped completed entered-in-error unknown",
    ("DocumentReference", "status"): "current superseded entered-in-error",
    ("Composition", "status"): "preliminary final amended entered-in-error",
    ("Questionnaire", "status"): "draft active retired unknown",
    (
        "Goal",
        "lifecycleStatus",
    ): "proposed planned accepted active on-hold completed cancelled entered-in-error rejected",
}


def validate(resource: Resource, path: str | None = None) -> list[Problem]:
    """Every problem of one resource; empty when it can be stored. `path` defaults to the resource type."""
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or kind not in TYPES:
        known = (
            f"«{kind}» is not a resource type this service holds"
            if isinstance(kind, str)
            else "«resourceType» is required"
        )
        return [Problem(Category.INVALID, f"{known}.", f"{path}.resourceType" if path else "resourceType")]
    at = path or kind
    types = type_problems(resource, _model(kind), at)
    facts = [] if types else read(resource, at)[1]
    found = [*types, *empty_parts(resource, at), *facts, *_codes(resource, kind, at)]
    told = {problem.path for problem in found}
    return found + [p for p in _base(resource, kind, at, types) if p.path not in told]


@cache
def _model(kind: str) -> type[BaseModel]:
    module = importlib.import_module(f"fhir.resources.R4B.{kind.lower()}")
    return getattr(module, kind)


def preload(kinds: Iterable[str] = TYPES) -> None:
    """Import the typed models ahead of the first message that needs them."""
    for kind in kinds:
        _model(kind)


def _base(resource: Resource, kind: str, path: str, types: list[Problem]) -> list[Problem]:
    """What the typed model says; it may fail altogether on elements whose JSON type is wrong already."""
    try:
        _model(kind).model_validate(resource)
    except ValidationError as error:
        return problems_of(error, path)
    except Exception:
        if not types:
            raise
    return _inner_references(resource, path)


def _inner_references(resource: Resource, path: str) -> list[Problem]:
    """References to contained resources that are not there (https://hl7.org/fhir/R4/references.html#contained)."""
    inside = {f"#{c.get('id')}" for c in resource.get("contained", ()) if isinstance(c, dict)} | {"#"}
    return [
        Problem(Category.INVALID, f"No contained resource has the id «{reference[1:]}».", where)
        for where, reference in references_in(resource, path)
        if reference.startswith("#") and reference not in inside
    ]


def _codes(resource: Resource, kind: str, path: str) -> list[Problem]:
    """Codes with a required binding that the typed models leave unchecked."""
    found: list[Problem] = []
    for (owner, element), allowed in _REQUIRED_CODES.items():
        value = resource.get(element)
        if owner == kind and isinstance(value, str) and value not in allowed.split():
            found.append(
                Problem(Category.INVALID, f"«{value}» is not one of {', '.join(allowed.split())}.", f"{path}.{element}")
            )
    return found
