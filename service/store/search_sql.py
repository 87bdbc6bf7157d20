"""Conditions of a search as SQL over the index of search values.

https://hl7.org/fhir/R4/search.html#prefix: a resource's date covers [value, ends), the searched one [start, end).
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, FromClause, and_, false, not_, or_

from service.fhir.search_conditions import (
    Chain,
    Condition,
    Contains,
    Has,
    Ids,
    Key,
    Missing,
    Part,
    Prefix,
    Range,
    Test,
    Updated,
    Where,
)
from service.fhir.search_dates import LAST
from service.store import query

_AFTER_EVERY_LETTER = "\U0010ffff"


def passes(values: FromClause, test: Test) -> ColumnElement[bool]:
    """Whether a row of the index passes a test."""
    c = values.c
    if isinstance(test, Key):
        return c.value == test.value if test.part is None else and_(c.value == test.value, c.part == test.part)
    if isinstance(test, Part):
        return and_(c.part == test.part, c.value != "")
    if isinstance(test, Prefix):
        return and_(c.value >= test.text, c.value < test.text + _AFTER_EVERY_LETTER)
    if isinstance(test, Contains):
        return c.value.contains(test.text, autoescape=True)
    return _compares(c, test)


def _compares(c: Any, test: Range) -> ColumnElement[bool]:
    inside = and_(c.value >= test.start, c.value < test.end, c.ends <= test.end)
    if test.prefix == "eq":
        return inside
    if test.prefix == "ne":
        return and_(c.value != "", not_(inside))
    if test.prefix == "gt":
        return c.ends > test.end
    if test.prefix == "lt":
        return and_(c.value != "", c.value < test.start)
    if test.prefix == "ge":
        return and_(c.ends > test.start, or_(c.ends > test.end, inside))
    if test.prefix == "le":
        return and_(c.value != "", c.value < test.end, or_(c.value < test.start, inside))
    if test.prefix == "sa":
        return c.value >= test.end
    if test.prefix == "eb":
        return and_(c.value != "", c.ends <= test.start)
    return and_(c.ends > test.start, c.value < test.end, c.value != "")


def updated(column: ColumnElement[str], test: Range) -> ColumnElement[bool]:
    """Whether an instant in milliseconds passes a test; it has no length, so that `sa` is `gt` and `eb` is `lt`."""
    start, end = _milliseconds(test.start), _milliseconds(test.end)
    inside = and_(column >= start, column < end)
    found = {
        "eq": inside,
        "ap": inside,
        "ne": not_(inside),
        "gt": column >= end,
        "sa": column >= end,
        "lt": column < start,
        "eb": column < start,
        "ge": column >= start,
        "le": column < end,
    }
    return found[test.prefix]


def _milliseconds(text: str) -> str:
    """A bound as the text of an instant, at the first whole millisecond from there on."""
    moment = datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%f")
    rounded = math.ceil(moment.microsecond / 1000)
    moment = moment.replace(microsecond=0)
    try:
        moment += timedelta(milliseconds=rounded)
    except OverflowError:
        return LAST
    return moment.isoformat(timespec="milliseconds") + "Z"


def holds(
    connection: Connection, kind: str, resource_id: ColumnElement[str], condition: Condition
) -> ColumnElement[bool]:
    """Whether the resource of an id meets a condition. Chains and reverse chains are resolved before."""
    assert not isinstance(condition, Chain | Has), "chains are resolved before"
    if isinstance(condition, Ids):
        return resource_id.in_(condition.ids) if condition.ids else false()
    if isinstance(condition, Updated):
        held = query.VERSIONS.alias()
        last = and_(held.c.type == kind, held.c.id == resource_id, query.is_current(held))
        return query.some(connection, held, last, or_(*(updated(held.c.last_updated, t) for t in condition.tests)))
    held = query.VALUES.alias()
    own = and_(held.c.type == kind, held.c.id == resource_id, held.c.param == condition.param)
    if isinstance(condition, Missing):
        of_part = (held.c.part == condition.part,) if condition.part else ()
        there = query.some(connection, held, own, *of_part)
        return not_(there) if condition.missing else there
    there = query.some(connection, held, own, any_of(held, condition))
    return not_(there) if condition.negated else there


def any_of(values: FromClause, condition: Where) -> ColumnElement[bool]:
    """Whether a row passes one of a condition's tests."""
    return or_(*(passes(values, t) for t in condition.tests)) if condition.tests else false()
