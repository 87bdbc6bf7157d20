"""What the pipeline answers: what became of each resource, and where the case stands."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from service.errors import Problem


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one resource of a message: `created`, `updated`, `unchanged`, `kept` (not applied),
    `deleted` or `gone` (there was nothing to delete)."""

    reference: str
    version: int
    what: str
    body: str
    note: str = ""
    derived: bool = False
    """Made from another resource of the message, not sent by the client."""
    place: int = 0
    """Its place among the entries of the message."""
    last_updated: str = ""
    warnings: tuple[Problem, ...] = ()


@dataclass(slots=True)
class Answer:
    """A message is stored. `summary` is the case as JSON-ready data; empty for messages about no case."""

    case_number: str
    outcomes: list[Outcome]
    opened: bool = False
    summary: dict[str, Any] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    reads: dict[int, Any] = field(default_factory=dict)
    """What was answered to the reads inside the message, by their places."""

    @property
    def notes(self) -> list[str]:
        """Sentences about resources and moves that were not applied, or applied otherwise than asked."""
        return [*(o.note for o in self.outcomes if o.note), *self.said]
