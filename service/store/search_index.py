"""Keeps the search index: in the transaction that writes a version, and anew when the declared parameters change."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, Table, delete, exists, insert, text, update

from service.fhir.json_text import load, write
from service.fhir.search_parameters import PARAMETERS, digest_of
from service.fhir.search_values import Value, values_of
from service.store import query
from service.store.tables import SearchIndex

_INDEX: Table = SearchIndex.__table__  # type: ignore[attr-defined]
_V = query.VERSIONS.c
_COLUMNS = ("type", "param", "value", "id", "part", "ends", "case_number")
_NAMES = ", ".join(_COLUMNS)
_ADD_ONE_BY_ONE = f"INSERT OR IGNORE INTO search_value ({_NAMES}) VALUES (?, ?, ?, ?, ?, ?, ?)"
# only the names above are put into the text; values are bound
_ADD_AT_ONCE = (
    f"INSERT INTO search_value ({_NAMES})"  # nosec B608
    " SELECT * FROM unnest(%s::text[], %s::text[], %s::text[], %s::text[], %s::text[], %s::text[], %s::text[])"
    " ON CONFLICT DO NOTHING"
)
_DROP_ONE_BY_ONE = (
    "DELETE FROM search_value INDEXED BY ix_search_value_resource WHERE type = ? AND id = ? AND"
    " param || ' ' || coalesce(ends, '') || ' ' || length(value) || ' ' || value || part"
    " NOT IN (SELECT value FROM json_each(?))"
)
_DROP_AT_ONCE = (
    "DELETE FROM search_value USING unnest(%s::text[], %s::text[]) AS changed(type, id)"
    " WHERE search_value.type = changed.type AND search_value.id = changed.id AND (search_value.type, search_value.id,"
    " search_value.param, search_value.value, search_value.part, coalesce(search_value.ends, ''))"
    " NOT IN (SELECT * FROM unnest(%s::text[], %s::text[], %s::text[], %s::text[], %s::text[], %s::text[]))"
)
_BATCH = 500


class Indexed:
    """A version to be found: its key, its number and case, and its values; none when it is deleted."""

    __slots__ = ("case_number", "id", "type", "values", "version")

    def __init__(self, kind: str, resource_id: str, version: int, case_number: str, values: Iterable[Value]) -> None:
        self.type, self.id, self.version, self.case_number = kind, resource_id, version, case_number
        self.values = values


def put(connection: Connection, resources: Sequence[Indexed]) -> None:
    """Make the index say what the given versions, now the current ones, are found by. Rows that say it already stay."""
    last = {(r.type, r.id): r for r in resources}
    _drop(connection, [r for r in last.values() if r.version > 1])
    fresh = [(r.type, v.param, v.value, r.id, v.part, v.ends, r.case_number) for r in last.values() for v in r.values]
    if fresh and connection.dialect.name == "sqlite":
        connection.exec_driver_sql(_ADD_ONE_BY_ONE, fresh)
    elif fresh:
        connection.exec_driver_sql(_ADD_AT_ONCE, _columns(fresh, len(_COLUMNS)))


def _drop(connection: Connection, changed: Sequence[Indexed]) -> None:
    """Take out the rows that no longer hold of resources that may have some."""
    if not changed:
        return
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(_DROP_ONE_BY_ONE, [(r.type, r.id, write(_said(r.values))) for r in changed])
    else:
        kept = [(r.type, r.id, v.param, v.value, v.part, v.ends or "") for r in changed for v in r.values]
        keys = [(r.type, r.id) for r in changed]
        connection.exec_driver_sql(_DROP_AT_ONCE, (*_columns(keys, 2), *_columns(kept, 6)))


def _said(values: Iterable[Value]) -> list[str]:
    """Values as texts that differ where they do; the length parts the value from what follows it."""
    return [f"{v.param} {v.ends or ''} {len(v.value)} {v.value}{v.part}" for v in values]


def _columns(rows: Sequence[tuple[Any, ...]], width: int) -> tuple[list[Any], ...]:
    """Rows as one array a column: PostgreSQL takes them in one statement, SQLite is quickest with one a row."""
    return tuple([row[i] for row in rows] for i in range(width))


def stale_types(connection: Connection) -> list[str]:
    """Types whose index was made by other parameters than are declared now, or is not finished."""
    held = {row.type: row for row in connection.execute(_INDEX.select())}
    return [
        kind
        for kind in PARAMETERS
        if kind not in held or held[kind].digest != digest_of(kind) or held[kind].after is not None
    ]


def index_some(connection: Connection) -> bool:
    """Index a batch of each type that needs it anew; False when none is left. Other writers wait meanwhile."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("LOCK TABLE search_value IN SHARE ROW EXCLUSIVE MODE"))
    unfinished = [_index_type(connection, kind) for kind in stale_types(connection)]
    return any(unfinished)


def _index_type(connection: Connection, kind: str) -> bool:
    """Index the next batch of a type; whether there is another one."""
    state = connection.execute(_INDEX.select().where(_INDEX.c.type == kind)).one_or_none()
    digest = digest_of(kind)
    if state is None:
        connection.execute(insert(_INDEX), {"type": kind, "digest": digest, "after": ""})
    after = state.after or "" if state is not None and state.digest == digest else ""
    found = connection.execute(_current_behind(connection, kind, after)).all()
    _put_rows(connection, kind, found)
    reached = found[-1].id if len(found) == _BATCH else None
    connection.execute(update(_INDEX).where(_INDEX.c.type == kind).values(digest=digest, after=reached))
    return reached is not None


def _current_behind(connection: Connection, kind: str, after: str) -> Select[Any]:
    """The next batch of current versions of a type, in the order of ids."""
    columns = (_V.id, _V.version, _V.case_number, _V.body, _V.deleted)
    found = query.rows(connection, query.VERSIONS, *columns)
    found = found.where(_V.type == kind, _V.id > after, query.is_current(query.VERSIONS))
    return found.order_by(_V.id).limit(_BATCH)


def _put_rows(connection: Connection, kind: str, found: Sequence[Any]) -> None:
    """Index rows of current versions; as later ones, so that what was found by earlier values goes."""
    put(
        connection,
        [
            Indexed(kind, r.id, max(r.version, 2), r.case_number, () if r.deleted else values_of(load(r.body)))
            for r in found
        ],
    )


def rebuild_some(connection: Connection, kind: str, after: str) -> tuple[str, int]:
    """Index a batch of a type anew, behind the id `after`; the last id, empty when the type is done, and how many."""
    found = connection.execute(_current_behind(connection, kind, after)).all()
    _put_rows(connection, kind, found)
    return (found[-1].id if len(found) == _BATCH else ""), len(found)


def drop_orphans(connection: Connection) -> int:
    """Take out rows of resources that are not here; how many."""
    values, versions = query.VALUES, query.VERSIONS
    known = exists().where(versions.c.type == values.c.type, versions.c.id == values.c.id)
    return connection.execute(delete(values).where(~known)).rowcount
