"""No search by a declared parameter reads a whole table: what the databases themselves say they will do."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import Connection, event, text

from service.fhir.search_conditions import Sort
from service.fhir.search_parameters import PARAMETERS, Kind
from service.fhir.search_query import search_of
from service.pipeline import Pipeline
from service.store import cases, search, search_chains
from service.store.search import Found
from tests.store.messages import opened_case, settled_course
from tests.store.test_search_rules import BASE, NOW

_VALUES = {Kind.TOKEN: "s|a", Kind.STRING: "ab", Kind.DATE: "2026-03", Kind.REFERENCE: "x1", Kind.URI: "http://x"}


def _searches() -> Iterator[tuple[str, list[tuple[str, str]]]]:
    for kind, held in PARAMETERS.items():
        yield kind, []
        yield kind, [("_lastUpdated", "gt2026-01-01")]
        yield kind, [("_id", "a,b")]
        for parameter in held.values():
            value = _VALUES[parameter.kind]
            yield kind, [(parameter.name, value)]
            yield kind, [(f"{parameter.name}:missing", "true")]
            if parameter.kind is Kind.DATE:
                for prefix in ("lt", "ge", "sa", "eb", "ap", "ne"):
                    yield kind, [(parameter.name, prefix + value)]
            if "patient" in held:
                yield kind, [("patient", "p"), (parameter.name, value)]
                yield kind, [("patient", "p"), (parameter.name, value), ("_sort", "-_lastUpdated")]


def _statements(connection: Connection) -> Iterator[tuple[str, str]]:
    for kind, pairs in _searches():
        asked = search_of(kind, pairs, BASE, NOW, strict=True)
        conditions = search_chains.resolved(connection, kind, asked.conditions)
        for after in (None, Found("o", "2026")):
            built = search.statement(connection, kind, conditions, asked.sort, after, 51)
            yield f"{kind}?{pairs}", str(built.compile(connection.engine, compile_kwargs={"literal_binds": True}))


def test_sqlite_reads_indexes_only(sqlite_pipeline: Pipeline) -> None:
    def work(connection: Connection) -> int:
        number = 0
        for name, statement in _statements(connection):
            plan = [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}")]
            scans = [line for line in plan if re.match(r"SCAN (?!\(|anon|.*subquery|CONSTANT)", line)]
            assert not scans, f"{name}: {plan}\n{statement}"
            number += 1
        return number

    assert sqlite_pipeline._database.read(work) > 1000


def test_a_search_that_no_index_serves_is_noticed(sqlite_pipeline: Pipeline) -> None:
    def work(connection: Connection) -> None:
        rows = connection.exec_driver_sql("EXPLAIN QUERY PLAN SELECT id FROM resource_version WHERE body = 'x'")
        assert next(r[3] for r in rows).startswith("SCAN resource_version")

    sqlite_pipeline._database.read(work)


def test_a_page_in_the_order_of_ids_is_not_sorted(sqlite_pipeline: Pipeline) -> None:
    """SQLite says when it must sort: not for equality, a range of dates, a stretch of text, or a whole type."""
    pages = [
        ("Observation", [("patient", "p")]),
        ("Observation", [("patient", "p"), ("code", "s|a"), ("date", "ge2026")]),
        ("Observation", []),
        ("Observation", [("_lastUpdated", "ge2026")]),
        ("Observation", [("date", "ge2026")]),
        ("Observation", [("date", "lt2026")]),
        ("Patient", [("name", "ab")]),
        ("Patient", [("identifier", "s|a")]),
    ]

    def work(connection: Connection) -> None:
        for kind, pairs in pages:
            conditions = search_of(kind, pairs, BASE, NOW, strict=True).conditions
            built = search.statement(connection, kind, conditions, Sort(), Found("o", "2026"), 51)
            statement = built.compile(connection.engine, compile_kwargs={"literal_binds": True})
            plan = [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}")]
            assert not [line for line in plan if "TEMP B-TREE" in line], f"{kind}?{pairs}: {plan}"

    sqlite_pipeline._database.read(work)


def test_postgresql_can_answer_from_indexes_alone(pipeline: Pipeline) -> None:
    """With sequential scans put at a price, PostgreSQL finds an index for every table of every search.

    It reads small tables whole by choice, so the price is needed to see whether there is a way without.
    """
    if pipeline._database.is_sqlite:
        pytest.skip("the other database")
    opened_case(pipeline, settled_course())

    def work(connection: Connection) -> int:
        connection.execute(text("SET LOCAL enable_seqscan = off"))
        number = 0
        for name, statement in _statements(connection):
            plan = [row[0] for row in connection.exec_driver_sql("EXPLAIN " + statement.replace("%", "%%"))]
            assert not [line for line in plan if "Seq Scan" in line], f"{name}: {plan}"
            number += 1
        return number

    assert pipeline._database.read(work) > 1000


@pytest.mark.parametrize("whose_move", [None, "dentist"])
def test_a_page_of_the_worklist_is_read_in_the_order_of_an_index(
    sqlite_pipeline: Pipeline, whose_move: str | None
) -> None:
    statements: list[str] = []

    def listed(connection: Connection) -> list[str]:
        def note(*args: Any) -> None:
            statements.append(args[2])

        event.listen(connection, "before_cursor_execute", note)
        cases.worklist(connection, whose_move, ("2026-11-01", "AR-1"), 50)
        event.remove(connection, "before_cursor_execute", note)
        values = ("2026-11-01", "AR-1", 50) if whose_move is None else (whose_move, "2026-11-01", "AR-1", 50)
        marks = statements[-1].count("?")
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statements[-1]}", (*values, 0)[:marks])
        return [row[3] for row in plan]

    plan = sqlite_pipeline._database.read(listed)
    assert len(plan) == 1 and plan[0].startswith("SEARCH case_row USING INDEX ix_case_row_w"), plan
