"""Statements of the hot path, compiled once for each kind of database and then sent as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, insert, update
from sqlalchemy.sql.dml import Insert, Update


class Prepared:
    """An INSERT or UPDATE with a parameter for every value, none of which needs converting by its column's type."""

    def __init__(self, statement: Insert | Update) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, list[str] | None]] = {}

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run it once for each row of parameters."""
        dialect = connection.dialect
        if dialect.name not in self._compiled:
            compiled = self._statement.compile(dialect=dialect)
            self._compiled[dialect.name] = (str(compiled), compiled.positiontup)  # type: ignore[attr-defined]
        text, places = self._compiled[dialect.name]
        given: list[Any] = [tuple([row[name] for name in places]) for row in rows] if places else list(rows)
        connection.exec_driver_sql(text, given[0] if len(given) == 1 else given)


def insert_into(table: Table) -> Prepared:
    """Inserts whole rows."""
    return Prepared(insert(table).values({c.name: bindparam(c.name) for c in table.columns}))


def update_by(table: Table, key: str) -> Prepared:
    """Updates all other columns of the row with a key."""
    others = {c.name: bindparam(c.name) for c in table.columns if c.name != key}
    return Prepared(update(table).where(table.c[key] == bindparam(key)).values(others))
