"""Cases whose decision a new release changed when it read their facts anew: one list for the operator."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.deciding.state import state_in
from service.store import cases
from service.store.caller import ALL_SEEING
from service.store.engine import Database

_BATCH = 200


@dataclass(frozen=True, slots=True)
class Changed:
    """A case, the day it was decided anew, what it came to before and what it came to then, in words."""

    case_number: str
    on: str
    before: str
    after: str


def changed(database: Database) -> Iterator[Changed]:
    """Every case that the last upgrade decided otherwise, by case number."""
    seen, after = database.seen_by(ALL_SEEING), ""
    while numbers := seen.read(lambda tx, after=after: cases.numbers(tx, after, _BATCH)):
        for number in numbers:
            case = seen.read(lambda tx, number=number: cases.get(tx, number))
            told = state_in(case).changed_by_release if case else ()
            if told:
                yield Changed(number, *told)
        after = numbers[-1]
