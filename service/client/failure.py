"""The one exception of the client: what the server found wrong, and never what was sent to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

NO_ANSWER = 0
"""The status of a failure without a usable answer: no connection, or an answer that the client refuses."""


@dataclass(frozen=True, slots=True)
class ReportedProblem:
    """One problem: its code (https://hl7.org/fhir/R4/valueset-issue-type.html), a sentence, and the place in the message."""

    code: str
    text: str
    expression: str = ""


class RelayError(Exception):
    """A request that was not done: the HTTP status (0 without an answer) and every problem the server named."""

    def __init__(self, status: int, problems: tuple[ReportedProblem, ...]) -> None:
        sentences = [f"{p.text} ({p.expression})" if p.expression else p.text for p in problems]
        super().__init__(" ".join([str(status) if status else "No answer:", *sentences]))
        self.status = status
        self.problems = problems


def no_answer(text: str) -> RelayError:
    """A failure that the client found by itself."""
    return RelayError(NO_ANSWER, (ReportedProblem("transient" if "connect" in text else "processing", text),))


def problems_of(body: Any) -> tuple[ReportedProblem, ...]:
    """The problems of an OperationOutcome, or of a token endpoint's error (RFC 6749, section 5.2)."""
    if not isinstance(body, dict):
        return ()
    if body.get("resourceType") == "OperationOutcome":
        return tuple(
            ReportedProblem(str(issue.get("code", "")), str(issue.get("diagnostics", "")), _place(issue))
            for issue in body.get("issue", [])
            if isinstance(issue, dict)
        )
    if "error" in body:
        return (ReportedProblem(str(body["error"]), str(body.get("error_description", ""))),)
    return ()


def _place(issue: dict[str, Any]) -> str:
    places = issue.get("expression") or [""]
    return str(places[0])
