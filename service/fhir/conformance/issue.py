"""What validation says of a resource: issues, each with a place (https://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, NamedTuple

ERROR, WARNING = "error", "warning"
_INVALID, NOT_FOUND, MALFORMED = "invalid", "not-found", "structure"


class Where(NamedTuple):
    """A place inside a resource; only written out as text when something is wrong there."""

    above: Where | None
    step: str

    def at(self, name: str, index: int | None = None) -> Where:
        """The place of an element below, or of one of its repetitions."""
        return Where(self, f".{name}" if index is None else f".{name}[{index}]")

    def text(self) -> str:
        """The FHIRPath expression."""
        return self.step if self.above is None else f"{self.above.text()}{self.step}"


@dataclass(frozen=True, slots=True)
class Issue:
    """One thing said of a resource. `severity` is error, warning or information; `code` is a FHIR issue type.

    `asked_by` is the canonical URL of the profile that asks for it; empty when base R4 does.
    """

    severity: str
    code: str
    expression: str
    message: str
    asked_by: str = field(default="", compare=False)


@dataclass(slots=True)
class Findings:
    """The issues of one resource as they are found."""

    issues: list[Issue] = field(default_factory=list[Issue])
    profile: str = ""

    def wrong(self, where: Where, message: str) -> None:
        """Something that may not be."""
        self.issues.append(Issue(ERROR, _INVALID, where.text(), message, self.profile))

    def malformed(self, where: Where, message: str) -> None:
        """A value of another JSON type than its element has."""
        self.issues.append(Issue(ERROR, MALFORMED, where.text(), message, self.profile))

    def doubtful(self, where: Where, message: str, code: str = _INVALID) -> None:
        """Something the sender should know; no reason to refuse."""
        self.issues.append(Issue(WARNING, code, where.text(), message, self.profile))

    def unknown(self, where: Where, message: str) -> None:
        """Something named that is not known here and so was not checked."""
        self.doubtful(where, message, NOT_FOUND)


def shown(value: Any) -> str:
    """A value as a sentence may quote it: short, on one line."""
    text = re.sub(r"\s+", " ", str(value))
    return text if len(text) <= 60 else f"{text[:57]}..."


def not_evaluated(human: str, key: str) -> str:
    """The sentence on an invariant that gave no answer: what it asks for, and that it could not be told."""
    return f"{human.strip().removesuffix('.')} ({key}; this could not be evaluated)."
