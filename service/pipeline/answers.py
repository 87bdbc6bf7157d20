"""What the pipeline answers: what became of each resource, and where the case stands."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from service.errors import Problem


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one resource of a message: `created`, `updated`, `unchanged` or `kept` (not applied)."""

    reference: str
    version: int
    what: str
    body: str
    note: str = ""
    derived: bool = False
    """Made from another resource of the message, not sent by the client."""
    warnings: tuple[Problem, ...] = ()


@dataclass(slots=True)
class Answer:
    """A message is stored. `summary` is the case as JSON-ready data; empty for messages about no case."""

    case_number: str
    outcomes: list[Outcome]
    opened: bool = False
    summary: dict[str, Any] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    @property
    def notes(self) -> list[str]:
        """Sentences about resources and moves that were not applied, or applied otherwise than asked."""
        return [*(o.note for o in self.outcomes if o.note), *self.said]
