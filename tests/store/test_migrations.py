"""A database of the first release becomes one of this release with all it holds, laid out in partitions or not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, inspect, text

from service.fhir.json_text import load, write
from service.fhir.search_parameters import PARAMETERS, digest_of
from service.fhir.search_query import search_of
from service.pipeline import Pipeline
from service.settings import Settings
from service.store import search_index
from service.store.check_in_link_tables import CheckInLinkRow
from service.store.client_tables import ClientRow, RevokedTokenRow, UsedAssertionRow
from service.store.migrations import HEAD, revision_of
from service.store.people_tables import PersonRow, SessionRow, SignInLinkRow
from service.store.tables import ResourceVersion, SearchValue
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.earlier import engine_of, lay_out
from tests.store.messages import check_in, opened_case, settled_course, take
from tests.store.test_search_rules import BASE, NOW
from tests.store.whole import check_whole, rows_of

_FIRST = ("resource_version", "identity", "case_row", "fact", "message")
_PARTITIONED = ("resource_version", "search_value", "case_row", "fact", "message", "case_party", "notice")

_ADDED = ("deleted", "overdue_from", "replaces", "recorded_on", "facts_shape", "spent", "scope")
"""Columns of later releases."""
_ANEW = ("changed_at", "derived")
"""Columns that deciding a case anew fills anew."""

_INDEXES = {
    "resource_version": {"ix_resource_version_case", "ix_resource_version_updated"},
    "search_value": {"ix_search_value_resource", "ix_search_value_ends"},
    "case_row": {
        "ix_case_row_patient",
        "ix_case_row_worklist",
        "ix_case_row_waiting",
        "ix_case_row_decided",
        "ix_case_row_overdue",
        "ix_case_row_replaces",
        "ix_case_row_open",
        "ix_case_row_stage",
        "ix_case_row_stage_mover",
        "ix_case_row_urgent",
        "ix_case_row_facts_shape",
    },
    "fact": {"ix_fact_spent"},
    "message": {"ix_message_case_number"},
    "case_party": {"ix_case_party_organisation"},
    "notice": {"ix_notice_case", "ix_notice_waiting"},
}


def _as_first_release(url: str, rows: dict[str, list[dict[str, Any]]]) -> None:
    """A database at the first revision with these rows."""
    engine = engine_of(url)
    lay_out(engine, "0001")
    with engine.begin() as connection:
        for table in _FIRST:
            columns = {c["name"] for c in inspect(connection).get_columns(table)}
            for row in rows[table]:
                kept = {k: v for k, v in row.items() if k in columns}
                names = ", ".join(kept)
                connection.execute(
                    text(f"INSERT INTO {table} ({names}) VALUES ({', '.join(f':{k}' for k in kept)})"), kept
                )
        assert revision_of(connection) == "0001"
    engine.dispose()


_STATE_OF_FIRST_RELEASE = ("versions", "proposals", "conditions", "business_status", "birth_date", "appliance")
"""What the first release remembered of a case; it gave its memory no schema number."""


@pytest.fixture
def first_release(tmp_path: Path, clock: Clock) -> tuple[dict[str, Any], str]:
    """Rows of a case at work, and its number."""
    url = f"sqlite:///{tmp_path}/source.db"
    pipeline = build_pipeline(Settings(database_url=url), clock=clock)
    number = opened_case(pipeline, settled_course())
    pipeline.close()
    rows = rows_of(url)
    for case in rows["case_row"]:
        state = load(case["derived"])
        first = {name: state[name] for name in _STATE_OF_FIRST_RELEASE}
        case.update(derived=write(first), urgent=bool(case["urgent"]))
    for row in rows["resource_version"]:
        del row["deleted"]
    return rows, number


def _told(row: dict[str, Any]) -> str:
    return str({k: bool(v) if k == "urgent" else v for k, v in sorted(row.items())})


def _found(pipeline: Pipeline, kind: str, name: str, value: str) -> set[str]:
    page = pipeline.search(search_of(kind, [(name, value), ("_count", "200")], BASE, NOW, strict=True))
    return {m.id for m in page.matches}


@pytest.mark.parametrize("partitions", [0, 3])
def test_a_database_of_the_first_release_is_found_in(
    empty_database_url: str, clock: Clock, first_release: tuple[dict[str, Any], str], partitions: int
) -> None:
    rows, number = first_release
    _as_first_release(empty_database_url, rows)
    pipeline = build_pipeline(Settings(database_url=empty_database_url, partitions=partitions), clock=clock)
    held = rows_of(empty_database_url)
    for table in _FIRST:
        kept, before = (
            [{k: v for k, v in r.items() if k not in (*_ADDED, *_ANEW)} for r in t] for t in (held[table], rows[table])
        )
        missing = set(map(_told, before)) - set(map(_told, kept))
        assert not missing, table
        assert len(kept) == len(before) or table == "resource_version"
    clock.move(days=1)
    assert pipeline.refresh_some() == 1
    pipeline.refresh(number, recorded=True)
    check_whole(rows_of(empty_database_url))
    patient = pipeline.case(number)["resources"]["patient"]
    assert _found(pipeline, "CarePlan", "patient", patient) == {number}
    take(pipeline, check_in("c9", "2026-11-19"), number)
    take(pipeline, check_in("c8", "2026-11-18"), number)
    check_whole(rows_of(empty_database_url))
    pipeline.close()


def test_a_database_at_the_other_revision_0010_gets_what_it_lacks(empty_database_url: str, clock: Clock) -> None:
    """For some hours a revision of that number added one index of the board, and followed 0008."""
    engine = engine_of(empty_database_url)
    lay_out(engine, "0008")
    with engine.begin() as connection:
        connection.execute(text("CREATE INDEX ix_case_row_waiting ON case_row (waiting_since, case_number)"))
        connection.execute(text("UPDATE alembic_version SET version_num = '0010'"))
    build_pipeline(Settings(database_url=empty_database_url), clock=clock).close()
    with engine.connect() as connection:
        assert revision_of(connection) == HEAD
        assert {"person", "page_session", "sign_in_link"} <= set(inspect(connection).get_table_names())
        assert {i["name"] for i in inspect(connection).get_indexes("case_row")} == _INDEXES["case_row"]
    engine.dispose()


def test_postgresql_in_partitions_keeps_a_case_together(new_postgres, clock: Clock) -> None:
    url = new_postgres()
    pipeline = build_pipeline(Settings(database_url=url, partitions=4), clock=clock)
    numbers = [opened_case(pipeline, settled_course())]
    check_whole(rows_of(url))
    engine = engine_of(url)
    with engine.connect() as connection:
        for table in _PARTITIONED:
            assert _partitions_of(connection, table) == [f"{table}_{n}" for n in range(4)]
            assert "case_number" in inspect(connection).get_pk_constraint(table)["constrained_columns"]
            assert {i["name"] for i in inspect(connection).get_indexes(table)} == _INDEXES[table]
        for number in numbers:
            homes = {
                table: set(
                    connection.execute(
                        text(f"SELECT DISTINCT tableoid::regclass::text FROM {table} WHERE case_number = :n"),
                        {"n": number},
                    ).scalars()
                )
                for table in _PARTITIONED
            }
            ends = {name.rsplit("_", 1)[1] for names in homes.values() for name in names}
            assert len(ends) == 1, homes
        assert not _partitions_of(connection, "identity")
    engine.dispose()
    pipeline.close()
    again = build_pipeline(Settings(database_url=url), clock=clock)
    assert _found(again, "CarePlan", "_id", numbers[0]) == {numbers[0]}
    again.close()


def _partitions_of(connection: Connection, table: str) -> list[str]:
    query = text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = CAST(:t AS regclass) ORDER BY 1")
    return list(connection.execute(query, {"t": table}).scalars())


def test_the_tables_in_code_are_those_of_the_migrations(empty_database_url: str, clock: Clock) -> None:
    build_pipeline(Settings(database_url=empty_database_url), clock=clock).close()
    engine = engine_of(empty_database_url)
    with engine.connect() as connection:
        assert revision_of(connection) == HEAD
        of_access = (ClientRow, UsedAssertionRow, RevokedTokenRow, PersonRow, SessionRow, SignInLinkRow, CheckInLinkRow)
        for model in (ResourceVersion, SearchValue, *of_access):
            table = model.__table__  # type: ignore[attr-defined]
            assert {c["name"] for c in inspect(connection).get_columns(table.name)} == set(table.c.keys())
            kept = {i["name"]: i["column_names"] for i in inspect(connection).get_indexes(table.name)}
            assert kept == {i.name: list(i.columns.keys()) for i in table.indexes}
            key = inspect(connection).get_pk_constraint(table.name)["constrained_columns"]
            assert key == [c.name for c in table.primary_key]
    engine.dispose()


def test_a_type_is_indexed_anew_when_its_parameters_change_and_goes_on_where_it_ended(
    pipeline: Pipeline, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened_case(pipeline, settled_course())
    monkeypatch.setattr(search_index, "_BATCH", 3)
    database = pipeline._database
    assert database.read(search_index.stale_types) == []

    def spoil(tx: Connection) -> None:
        tx.execute(text("UPDATE search_index SET digest = 'other' WHERE type = 'Observation'"))
        tx.execute(text("DELETE FROM search_value WHERE type = 'Observation'"))

    database.write(spoil)
    assert database.read(search_index.stale_types) == ["Observation"]
    assert database.write(search_index.index_some)
    assert database.write(search_index.index_some)
    with_some = len(rows_of(database_url)["search_value"])
    pipeline.index_all()
    assert len(rows_of(database_url)["search_value"]) > with_some
    check_whole(rows_of(database_url))
    assert database.read(search_index.stale_types) == []
    assert not database.write(search_index.index_some)


def test_the_digest_of_a_type_follows_its_parameters(monkeypatch: pytest.MonkeyPatch) -> None:
    digests = {kind: digest_of(kind) for kind in PARAMETERS}
    assert len(set(digests.values())) == len(digests)
    monkeypatch.setattr("service.fhir.search_parameters._MANNER", "other")
    assert all(digest_of(kind) != digests[kind] for kind in PARAMETERS)
