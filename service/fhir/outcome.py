"""OperationOutcome from problems (https://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

from collections.abc import Iterable

from service.errors import Category, Problem
from service.fhir.build import Resource
from service.fhir.conformance.issue import ERROR, Issue

MOST_PROBLEMS = 100
"""So many problems are listed in one answer; the others are counted."""
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
    Category.BROKEN_OFF: "timeout",
    Category.UNPROVED: "login",
    Category.INSECURE: "security",
    Category.MISDIRECTED: "security",
    Category.INTERNAL: "exception",
}


def operation_outcome(problems: Iterable[Problem], severity: str = "error") -> Resource:
    """One issue per problem, each with its sentence and, where known, its FHIRPath expression."""
    return {
        "resourceType": "OperationOutcome",
        "issue": _listed([_issue(severity, _ISSUE_CODE[p.category], p.message, p.path) for p in problems]),
    }


def outcome_of(issues: Iterable[Issue], all_well_sentence: str) -> Resource:
    """Everything validation said of a resource; that all is well when it said nothing."""
    told = [_issue(one.severity, one.code, one.message, one.expression) for one in issues]
    return {"resourceType": "OperationOutcome", "issue": _listed(told)} if told else all_well(all_well_sentence)


def _issue(severity: str, code: str, sentence: str, place: str) -> Resource:
    issue: Resource = {"severity": severity, "code": code, "diagnostics": sentence}
    return issue | {"expression": [place]} if place else issue


def _listed(issues: list[Resource]) -> list[Resource]:
    """The first problems, errors before all else where not all are listed, and how many more there are."""
    left_out = len(issues) - MOST_PROBLEMS
    if left_out <= 0:
        return issues
    listed = sorted(issues, key=lambda issue: issue["severity"] != ERROR)
    severity = listed[MOST_PROBLEMS]["severity"]
    return [*listed[:MOST_PROBLEMS], _issue(severity, "processing", f"And {left_out} more problems.", "")]


def issue_of(problem: Problem) -> Issue:
    """A problem of a request as an issue of the resource it came with."""
    return Issue(ERROR, _ISSUE_CODE[problem.category], problem.path, problem.message)


def all_well(sentence: str) -> Resource:
    """An OperationOutcome that says nothing is wrong."""
    issue = {"severity": "information", "code": "informational", "diagnostics": sentence}
    return {"resourceType": "OperationOutcome", "issue": [issue]}
