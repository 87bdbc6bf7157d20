"""Pages of cases for the board: by whose move, stage, urgency and overdue day, each in the order of an index."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, func, literal_column, true, tuple_

from service.store import query
from service.store.query import CASES

_C = CASES.c
NOBODY = literal_column("'nobody'")
"""Stands in the statement as it is: SQLite reads the partial index only when it sees the condition."""
_START = 1500
"""Characters of the summary that tell the one line on a case; the whole text is some thirty times as long."""


@dataclass(frozen=True, slots=True)
class Filter:
    """Which cases are asked for; `overdue_on` is the day on which they are overdue.

    Without anything chosen these are the cases in which it is somebody's move.
    """

    whose_move: str = ""
    stage: str = ""
    urgent: bool = False
    overdue_on: str = ""


@dataclass(frozen=True, slots=True)
class BoardRow:
    """What the board shows of a case; `summary_start` is the beginning of its summary as JSON text."""

    case_number: str
    patient: str
    stage: str
    whose_move: str
    waiting_since: str
    overdue_from: str | None
    urgent: bool
    outcome: str
    decided_on: str
    summary_start: str


def page_of(connection: Connection, wanted: Filter, after: tuple[str, str] | None, limit: int) -> list[BoardRow]:
    """A page of cases, longest waiting first, or of overdue ones longest overdue first.

    `after` is (waiting_since or overdue_from, case_number) of the last one seen.
    """
    return [BoardRow(*r) for r in connection.execute(statement(connection, wanted, after, limit))]


def statement(connection: Connection, wanted: Filter, after: tuple[str, str] | None, limit: int) -> Select[Any]:
    """The statement of a page.

    Urgent and overdue cases are few: they are read in their own order, and what else is asked is looked at row by row. The
    `lower` keeps the databases from reading another index and sorting.
    """
    columns = (
        _C.case_number,
        _C.patient,
        _C.stage,
        _C.whose_move,
        _C.waiting_since,
        _C.overdue_from,
        _C.urgent,
        _C.outcome,
        _C.decided_on,
        func.substr(_C.summary, 1, _START),
    )
    page = query.rows(connection, CASES, *columns)
    order = (_C.overdue_from if wanted.overdue_on else _C.waiting_since, _C.case_number)
    beside = bool(wanted.overdue_on or wanted.urgent)
    if wanted.overdue_on:
        page = page.where(_C.overdue_from <= wanted.overdue_on)
    elif wanted.urgent:
        page = page.where(_C.urgent == true())
    elif not (wanted.whose_move or wanted.stage):
        page = page.where(_C.whose_move != NOBODY)
    for column, value in ((_C.whose_move, wanted.whose_move), (_C.stage, wanted.stage)):
        if value:
            page = page.where((func.lower(column) if beside else column) == value)
    if after:
        page = page.where(tuple_(*order) > tuple_(*after))
    return page.order_by(*order).limit(limit)
