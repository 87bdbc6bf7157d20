"""The one place where a SELECT on resources, cases, facts, messages or the search index begins.

Every query is built for the caller whom its transaction serves, so that no path can forget whose case a row is. The
rest of the store adds its own conditions; a transaction without a caller cannot read at all.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, FromClause, Select, Table, and_, exists, or_, select

from service.store.caller import Caller
from service.store.tables import CaseRow, FactRow, MessageRow, ResourceVersion, SearchValue

VERSIONS: Table = ResourceVersion.__table__  # type: ignore[attr-defined]
VALUES: Table = SearchValue.__table__  # type: ignore[attr-defined]
CASES: Table = CaseRow.__table__  # type: ignore[attr-defined]
FACTS: Table = FactRow.__table__  # type: ignore[attr-defined]
MESSAGES: Table = MessageRow.__table__  # type: ignore[attr-defined]

CALLER = "caller"
"""The execution option of a connection that names the caller."""


def caller_of(connection: Connection) -> Caller:
    """The caller a transaction serves."""
    caller = connection.get_execution_options().get(CALLER)
    assert isinstance(caller, Caller), "a transaction reads for a caller"
    return caller


def rows(connection: Connection, table: FromClause, *columns: Any) -> Select[Any]:
    """Rows of a table (or an alias of it) that the caller may see; all columns unless some are named."""
    return select(*(columns or (table,))).select_from(table).where(*_visible(connection, table))


def some(connection: Connection, table: FromClause, *conditions: ColumnElement[bool]) -> ColumnElement[bool]:
    """Whether there is a row of a table that the caller may see and that meets the conditions."""
    return exists().select_from(table).where(*_visible(connection, table), *conditions)


def is_current(versions: FromClause) -> ColumnElement[bool]:
    """Whether a version row is the last one of its resource; needs no caller, as it shows nothing of another."""
    newer = VERSIONS.alias()
    same = and_(newer.c.type == versions.c.type, newer.c.id == versions.c.id)
    return ~exists().select_from(newer).where(same, newer.c.version > versions.c.version)


def _visible(connection: Connection, table: FromClause) -> list[ColumnElement[bool]]:
    caller = caller_of(connection)
    if caller.cases is None:
        return []
    number = table.c.case_number
    seen = number.in_(sorted(caller.cases))
    return [seen if table in (CASES, FACTS) else or_(seen, number == "")]
