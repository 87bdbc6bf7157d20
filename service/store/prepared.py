"""Statements of the hot path, compiled once for each kind of database and then sent as text.

A row whose key is there already is not inserted, and the transaction is told so here: a server that refuses it writes the
key, which may be a patient's number, into its log.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import Insert, Update


class Collision(Exception):
    """Another transaction was first with a key. Tried again from the start, what it wrote is seen."""


class Prepared:
    """An INSERT or UPDATE with a parameter for every value, none of which needs converting by its column's type."""

    def __init__(self, build: Callable[[str], Insert | Update]) -> None:
        """`build` makes the statement for a dialect by its name."""
        self._build = build
        self._compiled: dict[str, tuple[str, list[str] | None]] = {}

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run it once for each row of parameters. Collision when one of the rows was not written."""
        dialect = connection.dialect
        if dialect.name not in self._compiled:
            compiled = self._build(dialect.name).compile(dialect=dialect)
            self._compiled[dialect.name] = (str(compiled), compiled.positiontup)  # type: ignore[attr-defined]
        text, places = self._compiled[dialect.name]
        given: list[Any] = [tuple([row[name] for name in places]) for row in rows] if places else list(rows)
        done = connection.exec_driver_sql(text, given[0] if len(given) == 1 else given)
        if done.rowcount != len(given):
            raise Collision


def insert_into(table: Table) -> Prepared:
    """Inserts whole rows."""
    values = {c.name: bindparam(c.name) for c in table.columns}
    return Prepared(lambda dialect: _insert(dialect, table).values(values))


def add_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows away from the hot path. Collision when the key of one is there already."""
    if rows:
        statement = _insert(connection.dialect.name, table).returning(*table.primary_key)
        if len(connection.execute(statement, list(rows)).all()) != len(rows):
            raise Collision


def _insert(dialect: str, table: Table) -> Any:
    return (postgresql if dialect == "postgresql" else sqlite).insert(table).on_conflict_do_nothing()


def update_by(table: Table, key: str) -> Prepared:
    """Updates all other columns of the row with a key."""
    others = {c.name: bindparam(c.name) for c in table.columns if c.name != key}
    return Prepared(lambda _: update(table).where(table.c[key] == bindparam(key)).values(others))
