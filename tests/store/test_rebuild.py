"""`rebuild`: what is derived from resources is made anew from them, whatever happened to it; a second time nothing is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from service.commands.rebuild import rebuild
from service.pipeline import Pipeline
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.earlier import LANDINGS, WITH_ACCESS, landing
from tests.store.messages import Post, opened_case, referral, settled_course, take
from tests.store.recorded import Damage, verified
from tests.store.whole import check_whole, rows_of

_NOTED = ("stage", "whose_move", "waiting_since", "outcome", "urgent", "summary", "overdue_from", "decided_on")


@pytest.fixture
def cases(pipeline: Pipeline) -> list[str]:
    """A case that waits for a test, and a new one."""
    return [opened_case(pipeline, settled_course()), take(pipeline, Post("referrals", referral("R-2000"))).case_number]


@pytest.fixture
def damage(database_url: str, cases: list[str]) -> Iterator[Damage]:
    found = Damage.to(database_url)
    yield found
    found.engine.dispose()


def _derived(url: str) -> dict[str, set[str]]:
    """The rows made from resources, but for those that every writing adds: entries of the audit and records of decisions."""
    own = ("AuditEvent", "CarePlan", "GuidanceResponse", "Observation", "Provenance")
    rows = rows_of(url)
    index = {str(sorted(r.items())) for r in rows["search_value"] if r["type"] not in own}
    return {"search_value": index, "fact": {str(sorted(r.items())) for r in rows["fact"]}}


def _cases(url: str) -> list[dict[str, Any]]:
    return sorted(rows_of(url)["case_row"], key=lambda row: row["case_number"])


def _key(row: dict[str, Any]) -> tuple[Any, ...]:
    return row["type"], row["id"], row["version"]


def _rebuild(pipeline: Pipeline, numbers: list[str]) -> list[bool]:
    written = [pipeline.rebuild(number) for number in numbers]
    list(pipeline.rebuild_index())
    return written


DAMAGES = {
    "a fact says something else": lambda d: d.change("fact", "small", "type = 'Observation'"),
    "a fact is gone": lambda d: d.remove("fact", "type = 'Observation'"),
    "every fact is gone": lambda d: d.run("DELETE FROM fact"),
    "a fact of no resource": lambda d: d.double("fact", "type = 'Observation'", "id"),
    "every fact is marked as superseded": lambda d: d.run("UPDATE fact SET spent = :yes", yes=True),
    "another stage": lambda d: d.run("UPDATE case_row SET stage = 'closed', whose_move = 'nobody'"),
    "another summary": lambda d: d.run(
        "UPDATE case_row SET summary = '{}', outcome = 'ready', urgent = :yes", yes=True
    ),
    "never overdue": lambda d: d.run("UPDATE case_row SET overdue_from = NULL, waiting_since = '2020-01-01'"),
    "the index is gone": lambda d: d.run("DELETE FROM search_value"),
    "the index leads elsewhere": lambda d: d.double("search_value", "type = 'Observation'", "id"),
    "another value in the index": lambda d: d.change("search_value", "part", "type = 'Observation' AND param = 'code'"),
}


@pytest.mark.parametrize("what", DAMAGES)
def test_what_is_derived_is_made_anew(
    pipeline: Pipeline, cases: list[str], damage: Damage, database_url: str, what: str
) -> None:
    assert verified(database_url)[0] == []
    before = _derived(database_url)
    noted = [[row[name] for name in _NOTED] for row in _cases(database_url)]
    versions = {_key(row) for row in rows_of(database_url)["resource_version"]}
    DAMAGES[what](damage)
    assert verified(database_url)[0] != []
    _rebuild(pipeline, cases)
    after = rows_of(database_url)
    assert _derived(database_url) == before
    assert [[row[name] for name in _NOTED] for row in _cases(database_url)] == noted
    assert verified(database_url)[0] == []
    check_whole(after)
    own = {"AuditEvent", "CarePlan", "GuidanceResponse", "Observation", "Provenance"}
    assert {row["type"] for row in after["resource_version"] if _key(row) not in versions} <= own
    assert _rebuild(pipeline, cases) == [False, False]
    assert rows_of(database_url) == after


def test_nothing_is_written_of_what_is_right(pipeline: Pipeline, cases: list[str], database_url: str) -> None:
    before = rows_of(database_url)
    assert _rebuild(pipeline, cases) == [False, False]
    assert pipeline.rebuild("AR-00000-00000") is False
    assert rows_of(database_url) == before


@pytest.mark.parametrize("name", [*LANDINGS, *WITH_ACCESS])
def test_a_database_of_an_earlier_landing(
    name: str, tmp_path: Path, clock: Clock, new_postgres: Callable[[], str]
) -> None:
    url = landing(name, "sqlite", tmp_path, new_postgres)
    pipeline = build_pipeline(Settings(database_url=url), clock=clock)
    numbers = [row["case_number"] for row in rows_of(url)["case_row"]]
    _rebuild(pipeline, numbers)
    assert _rebuild(pipeline, numbers) == [False] * len(numbers)
    pipeline.close()
    assert verified(url)[0] == []


def test_the_command_says_what_it_did(
    database_url: str,
    cases: list[str],
    damage: Damage,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("DATABASE_URL", database_url)
    damage.run("DELETE FROM fact")
    assert rebuild() == 0
    first = capsys.readouterr().out
    assert "2 cases read anew, 2 written" in first
    assert rebuild() == 0
    assert "2 cases read anew, 0 written" in capsys.readouterr().out
