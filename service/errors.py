"""What can be wrong with a request, as values: a category, a sentence a person can act on, a place.

Categories follow the IssueType value set of FHIR R4 (https://hl7.org/fhir/R4/valueset-issue-type.html);
the one place that turns them into an HTTP status is `service/web/problems.py`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Category(StrEnum):
    """Kinds of problem, each with one HTTP status and one FHIR issue code."""

    NOT_PARSEABLE = "not-parseable"
    INVALID = "invalid"
    BAD_QUERY = "bad-query"
    BUSINESS_RULE = "business-rule"
    FORBIDDEN = "forbidden"
    NOT_FOUND = "not-found"
    GONE = "gone"
    CONFLICT = "conflict"
    STALE = "stale"
    SEVERAL = "several"
    MISMATCHED = "mismatched"
    MISSING_PRECONDITION = "missing-precondition"
    TOO_LARGE = "too-large"
    UNSUPPORTED_MEDIA = "unsupported-media"
    NOT_ACCEPTABLE = "not-acceptable"
    NOT_ALLOWED = "not-allowed"
    NOT_SUPPORTED = "not-supported"
    BUSY = "busy"
    TOO_MANY = "too-many"
    BROKEN_OFF = "broken-off"
    UNPROVED = "unproved"
    INSECURE = "insecure"
    MISDIRECTED = "misdirected"
    INTERNAL = "internal"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: what kind, a sentence to act on, and where (FHIRPath or field path)."""

    category: Category
    message: str
    path: str = ""


class Refused(Exception):
    """A request that is refused whole, with every problem found. Nothing of it is stored."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("; ".join(f"{p.path}: {p.message}" if p.path else p.message for p in self.problems))


def refuse(category: Category, message: str, path: str = "") -> Refused:
    """A refusal with a single problem."""
    return Refused(Problem(category, message, path))
