"""Cases whose decision a new release changed when it read their facts anew: one list for the operator."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.json_text import load
from service.pipeline.derived import Derived
from service.store import cases
from service.store.caller import ALL_SEEING
from service.store.cases import Case
from service.store.engine import Database

_BATCH = 200


@dataclass(frozen=True, slots=True)
class Changed:
    """A case, the day it was decided anew, what it came to before and what it came to then, in words."""

    case_number: str
    on: str
    before: str
    after: str


def came_to(case: Case) -> str:
    """Where the case row says that the case stands: stage, whose move, readiness, next step and response."""
    summary: dict[str, Any] = load(case.summary)
    step, response = summary.get("next_step") or {}, summary.get("response") or {}
    told = (case.stage, case.whose_move, case.outcome, step.get("outcome"), response.get("outcome"))
    return ", ".join(str(part) for part in told if part)


def changed(database: Database) -> Iterator[Changed]:
    """Every case that the last upgrade decided otherwise, by case number."""
    seen, after = database.seen_by(ALL_SEEING), ""
    while numbers := seen.read(lambda tx, after=after: cases.numbers(tx, after, _BATCH)):
        for number in numbers:
            case = seen.read(lambda tx, number=number: cases.get(tx, number))
            told = Derived.of(number, case.derived).changed_by_release if case else []
            if told:
                yield Changed(number, *told)
        after = numbers[-1]
