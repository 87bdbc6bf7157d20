"""A database with many cases, made quickly: one real case is copied in SQL with fresh ids and numbers.

The case is opened through the pipeline. A copy has its row, its facts, and the current versions of its patient,
referral, Task, CarePlan and baseline report, with their identifiers, index rows and parties; it leaves out Observations, earlier
versions, messages and audit entries, which none of the measured reads touches. The copies have been waiting since the
days of a year, a few hundred of them since each day. Cases that are written to are real ones, of all their parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import Column, Connection, Integer, MetaData, String, Table, func, insert, select, tuple_
from sqlmodel import SQLModel
from sqlmodel.sql.sqltypes import AutoString

from service.settings import Settings
from service.store.engine import Database
from service.wiring import build_pipeline
from tests.bench.course import open_case, today

_MARK = "COPYMARK"
_COPIED = ("Patient", "ServiceRequest", "Task", "CarePlan", "DiagnosticReport")
_CASE_ROW, _FACT, _VERSION, _VALUE, _IDENTITY, _PARTY, _SEEN = (
    SQLModel.metadata.tables[name]
    for name in ("case_row", "fact", "resource_version", "search_value", "identity", "case_party", "resource_party")
)
_NUMBERS = Table(
    "bench_number", MetaData(), Column("n", Integer, primary_key=True), Column("mark", String), Column("day", String)
)


@dataclass(frozen=True, slots=True)
class Filled:
    """How to name what the n-th copy holds, and the numbers of the real cases."""

    patient_id: str
    patient_system: str
    patient_number: str
    real_cases: list[str]

    def patient(self, n: int) -> str:
        """Address of the patient of a copy."""
        return f"/fhir/Patient/{self.patient_id.replace(_MARK, _mark(n))}"

    def patient_search(self, n: int) -> str:
        """Address of the search for that patient by business identifier."""
        return f"/fhir/Patient?identifier={self.patient_system}|{self.patient_number.replace(_MARK, _mark(n))}"


def fill(database_url: str, copies: int, real: int, weeks: int) -> Filled:
    """Fill an empty database with copies, and with real cases that have so many weeks of reports."""
    pipeline = build_pipeline(Settings(database_url=database_url))
    try:
        number = open_case(pipeline, _MARK, 0)
        real_cases = [open_case(pipeline, f"bench-{i}", weeks) for i in range(real)]
        with pipeline.database.engine.begin() as connection:
            parts = _parts_of(connection, number)
            for table, rows in parts.items():
                _stage(connection, table, rows)
            _multiply(connection, list(parts), copies)
        _settle(pipeline.database)
    finally:
        pipeline.close()
    patient = next(row for row in parts[_IDENTITY] if row["type"] == "Patient")
    return Filled(patient["id"], patient["system"], patient["value"], real_cases)


def _mark(n: int) -> str:
    return f"{n:0{len(_MARK)}d}"


def _parts_of(connection: Connection, case_number: str) -> dict[Table, list[dict[str, Any]]]:
    """The rows of the case that are copied, with a mark in every id, number and identifier."""
    case = _rows(connection, _CASE_ROW, _CASE_ROW.c.case_number == case_number)
    newest: dict[tuple[str, str], dict[str, Any]] = {}
    of_case = _VERSION.c.case_number == case_number
    of_patient = _VERSION.c.id == case[0]["patient"].removeprefix("Patient/")
    for row in _rows(connection, _VERSION, (of_case | of_patient) & _VERSION.c.type.in_(_COPIED)):
        known = newest.setdefault((row["type"], row["id"]), row)
        newest[row["type"], row["id"]] = max(known, row, key=lambda r: r["version"])
    fresh = {case_number: f"AR-{_MARK}"}
    for i, (_, held) in enumerate(newest):
        if case_number not in held:
            fresh[held] = f"{_MARK}-0000-7000-8000-{i:012d}"
    parts = {_CASE_ROW: case, _VERSION: list(newest.values())}
    parts[_PARTY] = _rows(connection, _PARTY, _PARTY.c.case_number == case_number)
    for table in (_FACT, _VALUE, _IDENTITY, _SEEN):
        parts[table] = _rows(connection, table, tuple_(table.c.type, table.c.id).in_(list(newest)))
    return {table: [_renamed(row, fresh) for row in rows] for table, rows in parts.items()}


def _rows(connection: Connection, table: Table, condition: Any) -> list[dict[str, Any]]:
    return [dict(row) for row in connection.execute(select(table).where(condition)).mappings()]


def _renamed(row: dict[str, Any], fresh: dict[str, str]) -> dict[str, Any]:
    for old, new in fresh.items():
        row = {name: value.replace(old, new) if isinstance(value, str) else value for name, value in row.items()}
    return row


def _staged(table: Table) -> Table:
    return Table(f"bench_{table.name}", MetaData(), *(Column(c.name, c.type) for c in table.columns))


def _stage(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    _staged(table).create(connection)
    connection.execute(insert(_staged(table)), rows)


def _multiply(connection: Connection, tables: Sequence[Table], copies: int) -> None:
    """Write the staged rows once for every number, with the number in place of the mark."""
    _NUMBERS.create(connection)
    days = [(today() - timedelta(days=n % 365)).isoformat() for n in range(365)]
    numbers = [{"n": n, "mark": _mark(n), "day": days[n % 365]} for n in range(1, copies + 1)]
    connection.execute(insert(_NUMBERS), numbers)
    for table in tables:
        staged = _staged(table)
        made = [_of_a_copy(column) for column in staged.columns]
        source = select(*made).select_from(staged.join(_NUMBERS, _NUMBERS.c.n > 0)).order_by(_NUMBERS.c.n)
        connection.execute(insert(table).from_select([c.name for c in staged.columns], source))
        staged.drop(connection)
    _NUMBERS.drop(connection)


def _of_a_copy(column: Column[Any]) -> Any:
    if column.name == "waiting_since":
        return _NUMBERS.c.day
    return func.replace(column, _MARK, _NUMBERS.c.mark) if isinstance(column.type, String | AutoString) else column


def _settle(database: Database) -> None:
    """What a database does by itself in the time in which so much would come in."""
    statement = "PRAGMA wal_checkpoint(TRUNCATE)" if database.is_sqlite else "VACUUM ANALYZE"
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql(statement)
