"""Validation of resources that others send: R4 and the published profiles, then what the rules must rely on.

All problems come in one answer, each with its FHIRPath expression (https://hl7.org/fhir/R4/validation.html).
"""

from __future__ import annotations

from dataclasses import replace

from service.errors import Category, Problem
from service.fhir.build import Resource
from service.fhir.conformance import published
from service.fhir.conformance.differential import NotCompiled
from service.fhir.conformance.expression import expression_of, holders_of
from service.fhir.conformance.issue import ERROR, MALFORMED, NOT_FOUND, WARNING, Issue
from service.fhir.conformance.judge import issues_of
from service.fhir.modifiers import modifier_issues
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

__all__ = ["MADE_BY_THE_SERVICE", "TYPES", "NotCompiled", "all_issues", "issues_of", "judged", "preload", "validate"]


def validate(resource: Resource, path: str | None = None) -> list[Problem]:
    """Every problem of one resource; empty when it can be stored. `path` defaults to the resource type."""
    return judged(resource, path)[0]


def judged(resource: Resource, path: str | None = None) -> tuple[list[Problem], tuple[Problem, ...]]:
    """What is wrong with a resource that is to be stored, and what its sender should know besides."""
    found = all_issues(resource, path)
    wrong = [_problem(issue) for issue in found if issue.severity == ERROR]
    return wrong, tuple(_problem(issue) for issue in found if issue.severity == WARNING)


def _problem(issue: Issue) -> Problem:
    category = Category.NOT_FOUND if issue.code == NOT_FOUND else Category.INVALID
    return Problem(category, issue.message, issue.expression)


def all_issues(resource: Resource, path: str | None = None, profile: str | None = None) -> list[Issue]:
    """Everything there is to say of a resource that is to be stored, placed below `path`.

    What the modifier contract refuses comes first, then what the rules cannot read; what a profile says of the same place
    is left out.
    """
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or kind not in TYPES:
        known = (
            f"«{kind}» is not a resource type this service holds"
            if isinstance(kind, str)
            else "«resourceType» is required"
        )
        return [Issue(ERROR, "invalid", f"{path}.resourceType" if path else "resourceType", f"{known}.")]
    against = modifier_issues(resource, kind)
    found = issues_of(resource, profile)
    facts = [] if any(issue.code == MALFORMED for issue in found) else _unreadable(resource, kind)
    refused = {issue.expression for issue in against}
    facts = [*against, *(issue for issue in facts if issue.expression not in refused)]
    told = {issue.expression for issue in facts}
    around = {holder for place in told for holder in holders_of(place)}
    kept = [issue for issue in found if not _is_told(issue, told, around)]
    at = path or kind
    if at == kind:
        return [*facts, *kept]
    return [replace(i, expression=f"{at}{i.expression.removeprefix(kind)}") for i in [*facts, *kept]]


def _unreadable(resource: Resource, kind: str) -> list[Issue]:
    """What the rules cannot read of the resource, in the places FHIRPath gives them."""
    return [
        Issue(ERROR, "invalid", kind + expression_of(problem.path.removeprefix(kind), kind), problem.message)
        for problem in read(resource, kind)[1]
    ]


def _is_told(issue: Issue, told: set[str], around: set[str]) -> bool:
    """Whether one of the places `told` is that of an issue, or lies inside it, or is what a profile says it of."""
    own = issue.expression
    if own in told:
        return True
    if own in around:
        return bool(issue.asked_by) or "." in own
    return bool(issue.asked_by) and any(holder in told for holder in holders_of(own))


def preload() -> None:
    """Compile the profiles ahead of the first message that needs them. Raises NotCompiled."""
    published.published()
    published.questionnaires()
