"""OperationOutcome from problems (https://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

from collections.abc import Iterable

from service.errors import Category, Problem
from service.fhir.build import Resource
from service.fhir.conformance.issue import ERROR, Issue

_ISSUE_CODE = {
    Category.NOT_PARSEABLE: "structure",
    Category.INVALID: "invalid",
    Category.BAD_QUERY: "invalid",
    Category.BUSINESS_RULE: "business-rule",
    Category.FORBIDDEN: "forbidden",
    Category.NOT_FOUND: "not-found",
    Category.GONE: "deleted",
    Category.CONFLICT: "conflict",
    Category.STALE: "conflict",
    Category.SEVERAL: "multiple-matches",
    Category.MISMATCHED: "value",
    Category.MISSING_PRECONDITION: "required",
    Category.TOO_LARGE: "too-long",
    Category.UNSUPPORTED_MEDIA: "not-supported",
    Category.NOT_ACCEPTABLE: "not-supported",
    Category.NOT_ALLOWED: "not-supported",
    Category.NOT_SUPPORTED: "not-supported",
    Category.BUSY: "transient",
    Category.TOO_MANY: "throttled",
    Category.UNPROVED: "login",
    Category.INSECURE: "security",
    Category.MISDIRECTED: "security",
    Category.INTERNAL: "exception",
}


def operation_outcome(problems: Iterable[Problem], severity: str = "error") -> Resource:
    """One issue per problem, each with its sentence and, where known, its FHIRPath expression."""
    issues: list[Resource] = []
    for problem in problems:
        issue: Resource = {
            "severity": severity,
            "code": _ISSUE_CODE[problem.category],
            "diagnostics": problem.message,
        }
        if problem.path:
            issue["expression"] = [problem.path]
        issues.append(issue)
    return {"resourceType": "OperationOutcome", "issue": issues}


def outcome_of(issues: Iterable[Issue], all_well_sentence: str) -> Resource:
    """Everything validation said of a resource; that all is well when it said nothing."""
    told: list[Resource] = []
    for issue in issues:
        one = {"severity": issue.severity, "code": issue.code, "diagnostics": issue.message}
        told.append({**one, "expression": [issue.expression]} if issue.expression else one)
    return {"resourceType": "OperationOutcome", "issue": told} if told else all_well(all_well_sentence)


def issue_of(problem: Problem) -> Issue:
    """A problem of a request as an issue of the resource it came with."""
    return Issue(ERROR, _ISSUE_CODE[problem.category], problem.path, problem.message)


def all_well(sentence: str) -> Resource:
    """An OperationOutcome that says nothing is wrong."""
    issue = {"severity": "information", "code": "informational", "diagnostics": sentence}
    return {"resourceType": "OperationOutcome", "issue": [issue]}
