"""Whatever is done to the record behind the service's back is found by `verify`, on both databases, and named."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service.pipeline.audit_check import ends_of
from service.pipeline.verify.tally import Marks, Tally
from service.store.caller import ALL_SEEING
from service.store.engine import Database
from tests.conftest import _drop_database, _new_database, _url_of
from tests.store.recorded import Damage, fill, verified

OBSERVATION = "type = 'Observation' AND case_number <> ''"
PATIENT = "type = 'Patient'"
EVENT = "type = 'AuditEvent' AND case_number NOT LIKE '-%'"
READ = "type = 'AuditEvent' AND case_number LIKE '-%'"
OF_CASE, OF_NONE = "case_number <> ''", "case_number = ''"
FILLED = "number > 0"

CHANGED = [
    *((f"resource_version {c}", OBSERVATION) for c in ("type", "id", "version", "case_number", "last_updated")),
    *((f"resource_version {c}", OBSERVATION) for c in ("body", "deleted")),
    *((f"resource_version {c}", PATIENT) for c in ("type", "id", "version", "case_number", "last_updated", "body")),
    *((f"resource_version {c}", EVENT) for c in ("id", "version", "case_number", "last_updated", "body", "deleted")),
    *((f"resource_version {c}", READ) for c in ("case_number", "last_updated", "body")),
    *((f"resource_version {c}", "type = 'Communication' AND deleted") for c in ("last_updated", "body", "deleted")),
    *((f"resource_version {c}", "type = 'CarePlan'") for c in ("body", "case_number")),
    *((f"resource_version {c}", "id = 'airway-relay-rules'") for c in ("body", "version", "last_updated")),
    *((f"message {c}", w) for w in (OF_CASE, OF_NONE) for c in ("id", "received_at", "channel", "case_number")),
    *((f"message {c}", w) for w in (OF_CASE, OF_NONE) for c in ("sha256", "body")),
    *((f"fact {c}", OF_CASE) for c in ("case_number", "type", "id", "version", "small")),
    ("fact spent", "spent"),
    ("fact spent", """NOT spent AND small LIKE '%"kind":"setting"%'"""),
    *((f"search_value {c}", OBSERVATION) for c in ("type", "param", "value", "id", "part", "ends", "case_number")),
    *((f"search_value {c}", EVENT) for c in ("value", "case_number")),
    *((f"case_row {c}", OF_CASE) for c in ("case_number", "patient", "referral", "task", "physician", "dental_office")),
    *((f"case_row {c}", OF_CASE) for c in ("opened_at", "changed_at", "decided_on", "stage", "whose_move", "outcome")),
    *(
        (f"case_row {c}", OF_CASE)
        for c in ("waiting_since", "urgent", "summary", "derived", "overdue_from", "replaces")
    ),
    *((f"case_row {c}", OF_CASE) for c in ("recorded_on", "facts_shape")),
    *((f"case_party {c}", OF_CASE) for c in ("case_number", "organisation", "part")),
    *((f"resource_party {c}", "wrote") for c in ("type", "id", "organisation", "wrote")),
    *((f"resource_party {c}", PATIENT) for c in ("type", "id", "organisation")),
    *((f"audit_chain {c}", FILLED) for c in ("event", "hash")),
    ("audit_chain chain", "chain = (SELECT max(chain) FROM audit_chain) AND number = 1"),
    ("audit_chain number", "number = (SELECT max(number) FROM audit_chain)"),
    *((f"audit_head {c}", FILLED) for c in ("number", "hash")),
    ("audit_head chain", "chain = 15"),
]
"""Another value in one column of one row."""

REMOVED = [
    *(("resource_version", w) for w in (OBSERVATION, PATIENT, EVENT, READ, "deleted", "id = 'airway-relay-rules'")),
    *((table, w) for table in ("message",) for w in (OF_CASE, OF_NONE)),
    *((table, OF_CASE) for table in ("fact", "case_row", "case_party")),
    *(("search_value", w) for w in (OBSERVATION, PATIENT, EVENT)),
    *(("resource_party", w) for w in ("wrote", PATIENT)),
    *((table, "chain = 0") for table in ("audit_chain", "audit_head")),
]
"""One row gone: the last one that meets the condition."""

DOUBLED = [
    *(("resource_version", w, k) for w in (OBSERVATION, PATIENT) for k in ("id", "version")),
    *(("resource_version", w, "id") for w in (EVENT, READ)),
    ("resource_version", "id = 'airway-relay-rules'", "version"),
    *(("message", w, "id") for w in (OF_CASE, OF_NONE)),
    *(("fact", OF_CASE, k) for k in ("case_number", "id")),
    *(("search_value", OBSERVATION, k) for k in ("param", "value", "id", "part")),
    ("case_row", OF_CASE, "case_number"),
    *(("case_party", OF_CASE, k) for k in ("case_number", "organisation", "part")),
    *(("resource_party", PATIENT, k) for k in ("id", "organisation")),
    ("audit_head", "chain = 15", "chain"),
]
"""A row once more, under another key."""

SWAPPED = [
    *(("resource_version", "body", w) for w in (OBSERVATION, PATIENT, EVENT, "type = 'CarePlan'")),
    *(("resource_version", "case_number", w) for w in (OBSERVATION, EVENT)),
    *(("message", c, OF_CASE) for c in ("body", "received_at", "case_number")),
    ("fact", "small", OF_CASE),
    ("fact", "version", OF_CASE),
    ("search_value", "case_number", OBSERVATION),
    *(("case_row", c, OF_CASE) for c in ("patient", "summary", "derived", "task")),
    *(("audit_chain", c, "chain = 0") for c in ("hash",)),
]
"""Two rows of which each has what was the other's."""

TABLES = (
    *("resource_version", "message", "fact", "search_value", "case_row", "case_party", "resource_party"),
    *("audit_chain", "audit_head"),
)


@pytest.fixture(scope="module")
def recorded_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("recorded") / "relay.db"
    fill(f"sqlite:///{file}")
    return file


@pytest.fixture(scope="module")
def recorded_postgres(postgres_admin: Engine) -> Iterator[str]:
    name = _new_database(postgres_admin)
    fill(_url_of(postgres_admin, name))
    yield name
    _drop_database(postgres_admin, name)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A copy of a database with something in every table."""
    if request.param == "sqlite":
        return f"sqlite:///{shutil.copyfile(request.getfixturevalue('recorded_sqlite'), tmp_path / 'relay.db')}"
    make: Callable[[str], str] = request.getfixturevalue("new_postgres")
    return make(request.getfixturevalue("recorded_postgres"))


@pytest.fixture
def damage(url: str) -> Iterator[Damage]:
    held = Damage.to(url)
    yield held
    held.engine.dispose()


def assert_found(url: str, table: str) -> None:
    """Something is found; no line tells more than tables, keys and columns."""
    lines, _ = verified(url)
    named = ("audit_chain", "resource_version") if table.startswith(("audit_", "resource_version")) else (table,)
    assert any(line.startswith(named) for line in lines), f"damage to {table}: {lines}"
    for line in lines:
        assert "Ashdown" not in line and "P-71" not in line, line


def test_a_record_left_alone_is_whole(url: str) -> None:
    lines, counts = verified(url)
    assert lines == []
    assert (counts.cases, counts.uncommitted, counts.not_replayed, counts.not_recomputed) == (4, 0, 0, 0)
    assert counts.removed > 10
    assert counts.decisions > 20


@pytest.mark.sampled("table")
@pytest.mark.parametrize(
    ("table", "column", "where"), [(*place.split(" "), where) for place, where in CHANGED], ids=lambda v: v[:40]
)
def test_a_change(url: str, damage: Damage, table: str, column: str, where: str) -> None:
    damage.change(table, column, where)
    assert_found(url, table)


@pytest.mark.sampled("table")
@pytest.mark.parametrize(("table", "where"), REMOVED, ids=lambda v: v[:40])
def test_a_removal(url: str, damage: Damage, table: str, where: str) -> None:
    damage.remove(table, where)
    assert_found(url, table)


@pytest.mark.sampled("table")
@pytest.mark.parametrize(("table", "where", "key"), DOUBLED, ids=lambda v: v[:40])
def test_a_doubling(url: str, damage: Damage, table: str, where: str, key: str) -> None:
    damage.double(table, where, key)
    assert_found(url, table)


@pytest.mark.sampled("table")
@pytest.mark.parametrize(("table", "column", "where"), SWAPPED, ids=lambda v: v[:40])
def test_two_swapped(url: str, damage: Damage, table: str, column: str, where: str) -> None:
    damage.swap(table, column, where)
    assert_found(url, table)


@pytest.mark.sampled("table")
@pytest.mark.parametrize("table", TABLES)
def test_a_table_cut_off(url: str, damage: Damage, table: str) -> None:
    """Its last rows, and all of them."""
    damage.run(f"DELETE FROM {table}")
    assert_found(url, table)


def test_the_end_of_the_record_cut_off_with_its_heads_is_found_by_an_exported_head(url: str, damage: Damage) -> None:
    """The last entry with all that it wrote: nothing in the database tells of it any more."""
    database = Database.existing(url).seen_by(ALL_SEEING)
    heads = ends_of(database)
    database.close()
    last = damage.rows("audit_chain", f"chain = {heads[0].chain}")[-1]
    before = damage.rows("audit_chain", f"chain = {heads[0].chain}")[-2]
    damage.run("DELETE FROM search_value WHERE type = 'AuditEvent' AND id = :id", id=last["event"])
    damage.run("DELETE FROM resource_version WHERE type = 'AuditEvent' AND id = :id", id=last["event"])
    damage.run("DELETE FROM audit_chain WHERE event = :id", id=last["event"])
    damage.run(
        "UPDATE audit_head SET number = :n, hash = :h WHERE chain = :c",
        n=before["number"],
        h=before["hash"],
        c=last["chain"],
    )
    lines, _ = verified(url, heads)
    assert any("1 link is missing up to the exported head" in line for line in lines)


def test_what_differs_is_named(url: str, damage: Damage) -> None:
    row = damage.rows("resource_version", OBSERVATION)[0]
    damage.change("resource_version", "body", OBSERVATION)
    lines, _ = verified(url)
    place = f"resource_version Observation/{row['id']}/_history/{row['version']}"
    assert lines[0].startswith(f"{place}: its text is not the one that AuditEvent/")
    assert lines[0].endswith(" recorded")


def test_nothing_is_written(url: str, damage: Damage) -> None:
    before = {table: damage.rows(table) for table in TABLES}
    verified(url)
    assert {table: damage.rows(table) for table in TABLES} == before


def test_a_removed_case_is_told_and_a_removal_that_was_not_whole_is_found(url: str, damage: Damage) -> None:
    """The audit keeps type, id, version and hash of what went; another hash there is the hash of something else."""
    assert verified(url)[1].removed > 10
    damage.run(
        'UPDATE resource_version SET body = replace(body, \'"type":"removed Task\', \'"type":"kept Task\')'
        " WHERE type = 'AuditEvent' AND body LIKE '%retention over%'"
    )
    lines, _ = verified(url)
    assert any(line.startswith("resource_version Task/") and "is not there" in line for line in lines)


def test_two_streams_are_told_apart_in_memory_of_a_fixed_size() -> None:
    tally = Tally()
    for number in range(1000):
        tally.add(f"key {number}")
    for number in reversed(range(1000)):
        tally.take(f"key {number}")
    assert tally.is_even
    tally.add("key 5")
    assert not tally.is_even
    assert tally.is_doubtful("key 5")
    assert sum(tally.is_doubtful(f"key {n}") for n in range(1000)) < 5
    marks = Marks()
    for number in range(16000):
        marks.add(f"key {number}")
    assert all(f"key {n}" in marks for n in range(16000))
    assert sum(f"other {n}" in marks for n in range(10000)) < 30
