"""Finds the ids of a page: the most telling condition is read from an index in the page's order, the others are probed.

The order is that of ids unless a date leads or another one is asked for. A page goes on after the key of the last row of
the page before, never after a number of rows, so that writes between pages neither repeat nor hide a resource.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, FromClause, Select, and_, func, literal, or_, select, tuple_, union
from sqlalchemy import text as sql_text

from service.errors import Category, refuse
from service.fhir.search_conditions import (
    Condition,
    Ids,
    Key,
    Order,
    Prefix,
    Range,
    Sort,
    Updated,
    Where,
)
from service.store import query
from service.store.search_sql import any_of, holds, passes, updated

MOST_SCANS = 50
"""Up to so many values, each is read from the index on its own, in order and no further than the page needs."""

COUNTED = 10_000
"""Where counting ends: beyond it a count is not cheap and is refused."""


@dataclass(frozen=True, slots=True)
class Found:
    """One row of a page: the id, and the key it stands under in the page's order."""

    id: str
    key: str = ""


def take_turn(connection: Connection, text: str) -> None:
    """Wait until no other transaction makes what the search of a text did not find (SQLite has one writer anyway)."""
    if connection.dialect.name == "postgresql":
        connection.execute(sql_text("SELECT pg_advisory_xact_lock(727003, hashtext(:t))"), {"t": text})


def page(
    connection: Connection, kind: str, conditions: Sequence[Condition], sort: Sort, after: Found | None, limit: int
) -> list[Found]:
    """Up to `limit` resources behind `after`, in order. Chains are resolved before (`search_chains.resolved`)."""
    if any(_never(c) for c in conditions):
        return []
    chosen = statement(connection, kind, conditions, sort, after, limit)
    return [Found(r.id, r.key) for r in connection.execute(chosen)]


def count(connection: Connection, kind: str, conditions: Sequence[Condition]) -> int:
    """How many resources meet the conditions; refused beyond `COUNTED`."""
    if any(_never(c) for c in conditions):
        return 0
    some = statement(connection, kind, conditions, Sort(), None, COUNTED + 1).subquery()
    number = connection.execute(select(func.count()).select_from(some)).scalar_one()
    if number > COUNTED:
        raise refuse(Category.BAD_QUERY, f"More than {COUNTED} match; a narrower search can be counted.", "_summary")
    return number


def statement(
    connection: Connection, kind: str, conditions: Sequence[Condition], sort: Sort, after: Found | None, limit: int
) -> Select[Any]:
    """The statement for one page: columns `id` and `key`."""
    build = _Page(connection, kind, sort, after, limit)
    lead = min(conditions, key=_rank, default=None)
    others = [c for c in conditions if c is not lead]
    points = lead is not None and _rank(lead) < 4
    if sort.order is Order.DATE and not points:
        sentence = "Sorting by a date needs a patient, an identifier or another condition on a token or reference."
        raise refuse(Category.BAD_QUERY, sentence, "_sort")
    if sort.order is not Order.ID and points:
        return build.sorted_matches(conditions, lead)
    if isinstance(lead, Where) and points:
        return build.points(lead, others)
    whole_order = sort.order is Order.ID and not sort.descending
    if isinstance(lead, Where) and _rank(lead) == 4 and whole_order:
        return build.ranged(lead, others)
    if sort.order is Order.UPDATED or (isinstance(lead, Updated) and whole_order):
        return build.by_time(conditions)
    return build.by_id(conditions)


def _never(condition: Condition) -> bool:
    """Whether nothing can meet a condition, such as a chain that leads nowhere."""
    if isinstance(condition, Ids):
        return not condition.ids
    return isinstance(condition, Where) and not condition.tests and not condition.negated


def _rank(condition: Condition) -> int:
    """How telling a condition is likely to be; from 4 on it is no equality, from 6 on no index is read by it."""
    if isinstance(condition, Ids):
        return 0
    if isinstance(condition, Updated):
        return 5
    if not isinstance(condition, Where) or condition.negated or not condition.tests:
        return 6
    if all(isinstance(t, Key) for t in condition.tests):
        many = len(condition.tests) > MOST_SCANS
        if condition.param == "identifier":
            return 1
        return 3 if many or condition.param in ("status", "category", "code", "intent", "priority", "type") else 2
    (first, *rest) = condition.tests
    return 4 if not rest and isinstance(first, Range | Prefix) and getattr(first, "prefix", "") != "ne" else 6


class _Page:
    """Builds the statement of one page."""

    def __init__(self, connection: Connection, kind: str, sort: Sort, after: Found | None, limit: int) -> None:
        self._connection = connection
        self._kind = kind
        self._sort = sort
        self._after = after
        self._limit = limit

    def _all(self, resource_id: ColumnElement[str], conditions: Sequence[Condition]) -> list[ColumnElement[bool]]:
        answering = query.answers(self._connection, self._kind, resource_id)
        return [*answering, *(holds(self._connection, self._kind, resource_id, c) for c in conditions)]

    def _ordered(self, chosen: Any, *columns: Any) -> Select[Any]:
        """The page of `chosen` behind the last key, by the columns."""
        down = self._sort.descending
        if self._after is not None:
            last = (self._after.key, self._after.id)[-len(columns) :]
            row, held = tuple_(*columns), tuple_(*last)
            if len(columns) == 1:
                row, held = columns[0], last[0]
            chosen = chosen.where(row < held if down else row > held)
        return chosen.order_by(*(c.desc() if down else c.asc() for c in columns)).limit(self._limit)

    def _values(self) -> FromClause:
        return query.VALUES.alias()

    def points(self, lead: Where, others: Sequence[Condition]) -> Select[Any]:
        """Each value in the order of ids from the primary key, and the pages of all of them together."""
        scans: list[Select[Any]] = []
        groups = [[t] for t in lead.tests] if len(lead.tests) <= MOST_SCANS else [list(lead.tests)]
        for tests in groups:
            held = self._values()
            wanted = query.rows(self._connection, held, held.c.id).where(
                held.c.type == self._kind,
                held.c.param == lead.param,
                or_(*(passes(held, t) for t in tests)),
                *self._all(held.c.id, others),
            )
            scans.append(self._ordered(wanted.distinct(), held.c.id))
        if len(scans) == 1:
            return scans[0].add_columns(literal("").label("key"))
        together = union(*(select(scan.subquery().c.id) for scan in scans)).subquery()
        return self._ordered(select(together.c.id, literal("").label("key")), together.c.id)

    def ranged(self, lead: Where, others: Sequence[Condition]) -> Select[Any]:
        """A stretch of the index in its own order: by first or last moment of dates, by text of strings."""
        held = self._values()
        (test,) = lead.tests
        by_end = isinstance(test, Range) and test.prefix in ("gt", "ge", "ap")
        key = held.c.ends if by_end else held.c.value
        wanted = query.rows(self._connection, held, held.c.id, key.label("key")).where(
            held.c.type == self._kind,
            held.c.param == lead.param,
            passes(held, test),
            *self._all(held.c.id, others),
        )
        earlier = self._values()
        same = and_(earlier.c.type == self._kind, earlier.c.id == held.c.id, earlier.c.param == lead.param)
        before = (earlier.c.ends if by_end else earlier.c.value) < key
        repeated = query.some(self._connection, earlier, same, passes(earlier, test), before)
        return self._ordered(wanted.where(~repeated).distinct(), key, held.c.id)

    def by_time(self, conditions: Sequence[Condition]) -> Select[Any]:
        """Current versions in the order of their time."""
        held = query.VERSIONS.alias()
        times = [or_(*(updated(held.c.last_updated, t) for t in c.tests)) for c in conditions if isinstance(c, Updated)]
        rest = [c for c in conditions if not isinstance(c, Updated)]
        wanted = query.rows(self._connection, held, held.c.id, held.c.last_updated.label("key"))
        wanted = wanted.where(held.c.type == self._kind, *times, held.c.deleted.is_(False), query.is_current(held))
        return self._ordered(wanted.where(*self._all(held.c.id, rest)), held.c.last_updated, held.c.id)

    def by_id(self, conditions: Sequence[Condition]) -> Select[Any]:
        """Current versions in the order of their ids."""
        held, wanted = self._current(conditions)
        return self._ordered(wanted.add_columns(literal("").label("key")), held.c.id)

    def _current(self, conditions: Sequence[Condition]) -> tuple[FromClause, Select[Any]]:
        held = query.VERSIONS.alias()
        wanted = query.rows(self._connection, held, held.c.id)
        wanted = wanted.where(held.c.type == self._kind, held.c.deleted.is_(False), query.is_current(held))
        return held, wanted.where(*self._all(held.c.id, conditions))

    def sorted_matches(self, conditions: Sequence[Condition], lead: Condition | None) -> Select[Any]:
        """The matches of the leading condition, sorted: as many as there are of it, such as one patient's."""
        if isinstance(lead, Where):
            held = self._values()
            first = query.rows(self._connection, held, held.c.id).where(
                held.c.type == self._kind, held.c.param == lead.param, any_of(held, lead)
            )
            others = [c for c in conditions if c is not lead]
            matches = first.where(*self._all(held.c.id, others)).distinct().subquery()
        else:
            matches = self._current(conditions)[1].subquery()
        if self._sort.order is Order.UPDATED:
            last = query.VERSIONS.alias()
            on = and_(last.c.type == self._kind, last.c.id == matches.c.id, query.is_current(last))
            keyed = select(matches.c.id, last.c.last_updated.label("key")).select_from(matches).join(last, on)
        else:
            date = self._values()
            on = and_(date.c.type == self._kind, date.c.param == self._sort.param, date.c.id == matches.c.id)
            key = func.coalesce(func.min(date.c.value), "").label("key")
            keyed = select(matches.c.id, key).select_from(matches).outerjoin(date, on).group_by(matches.c.id)
        whole = keyed.subquery()
        return self._ordered(select(whole.c.id, whole.c.key), whole.c.key, whole.c.id)
