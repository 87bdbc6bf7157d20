"""A message is stored whole or not at all, whichever statement fails; a passing conflict is tried again."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import Connection, text
from sqlalchemy.exc import IntegrityError

from service.errors import Category, Refused
from service.fhir.json_text import load
from service.intake.answers import Answer
from service.pipeline import Pipeline
from service.store import resources
from service.store.prepared import Collision
from tests.conftest import Clock
from tests.store.faults import Fault, conflict_once, fault_at, fault_at_commit, locked
from tests.store.messages import (
    Post,
    accepted,
    check_in,
    delivered,
    opened_case,
    referral,
    referral_bundle,
    settled_course,
    take,
    take_bundle,
)
from tests.store.whole import check_whole, rows_of

Work = Callable[[], Answer]
_MIXED = Post(
    "progress",
    {
        "settings": [{"entry_id": "s2", "set_on": "2026-11-16", "advance_left_mm": 3, "advance_right_mm": 3}],
        "check_ins": check_in("c2", "2026-11-13", snoring=5, revision=2).body["check_ins"],
        "side_effects": [
            {"entry_id": "e1", "reported_on": "2026-11-16", "kind": "dry mouth", "grade_0_to_3": 1},
        ],
    },
)


def _works(pipeline: Pipeline) -> dict[str, Work]:
    """Messages that write to every table: a referral, a Bundle, progress with a correction, a delivery."""
    number = opened_case(pipeline, settled_course())
    fresh = take(pipeline, Post("referrals", referral("R-7"))).case_number
    return {
        "referral": lambda: take(pipeline, Post("referrals", referral("R-8"))),
        "bundle": lambda: take_bundle(pipeline, referral_bundle("8001")),
        "progress": lambda: take(pipeline, _MIXED, number),
        "delivery": lambda: take(pipeline, delivered(), fresh),
    }


@pytest.mark.parametrize("name", ["referral", "bundle", "progress", "delivery"])
def test_a_fault_at_any_statement_leaves_no_trace(pipeline: Pipeline, database_url: str, name: str):
    work = _works(pipeline)[name]
    before = rows_of(database_url)
    number = 0
    while True:
        with fault_at(pipeline, number) as seen:
            try:
                answer = work()
                break
            except Fault:
                assert rows_of(database_url) == before, f"a fault at «{seen[-1]}» left a trace"
        number += 1
    tables = ("resource_version", "identity", "case_row", "fact", "message")
    written = {t for t in tables for s in seen if f"INSERT INTO {t}" in s or f"UPDATE {t}" in s}
    assert written == set(tables), "the faults reached every table"
    assert number == len(seen) > 5
    assert answer.case_number
    check_whole(rows_of(database_url))


def test_a_fault_at_the_commit_leaves_no_trace(pipeline: Pipeline, database_url: str):
    works = _works(pipeline)
    before = rows_of(database_url)
    for work in works.values():
        with fault_at_commit(pipeline), pytest.raises(Fault):
            work()
        assert rows_of(database_url) == before
    for work in works.values():
        work()
    check_whole(rows_of(database_url))


def test_a_fault_while_a_day_is_decided_anew_leaves_no_trace(pipeline: Pipeline, database_url: str, clock: Clock):
    number = opened_case(pipeline, settled_course())
    clock.move(days=40)
    before = rows_of(database_url)
    statement = 0
    while True:
        with fault_at(pipeline, statement):
            try:
                pipeline.refresh(number)
                break
            except Fault:
                assert rows_of(database_url) == before
        statement += 1
    assert statement > 4
    check_whole(rows_of(database_url))


def test_a_refused_message_leaves_no_trace(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [delivered()])
    before = rows_of(database_url)
    beyond = Post(
        "progress",
        {
            "settings": [{"entry_id": "s9", "set_on": "2026-11-16", "advance_left_mm": 9, "advance_right_mm": 9}],
            "check_ins": check_in("c1", "2026-11-13").body["check_ins"],
        },
    )
    with pytest.raises(Refused, match="beyond the appliance"):
        take(pipeline, beyond, number)
    assert rows_of(database_url) == before


@pytest.mark.parametrize("statement", ["SELECT", "INSERT INTO resource_version", "INSERT INTO message"])
def test_a_conflict_with_another_writer_is_tried_again_from_the_start(
    pipeline: Pipeline, database_url: str, statement: str
):
    number = opened_case(pipeline)
    with conflict_once(pipeline, at=statement) as seen:
        take(pipeline, accepted(), number)
    assert len(seen) > 1
    held = rows_of(database_url)
    tasks = sorted((r for r in held["resource_version"] if r["type"] == "Task"), key=lambda r: r["version"])
    assert [load(r["body"])["status"] for r in tasks] == [
        "requested",
        "accepted",
    ]
    assert len(held["message"]) == 2
    check_whole(held)


def test_a_database_that_another_process_keeps_is_tried_again(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline)
    with conflict_once(pipeline, at="SELECT", conflict=locked()) as seen:
        take(pipeline, accepted(), number)
    assert len(seen) > 1
    check_whole(rows_of(database_url))


def test_a_conflict_that_stays_is_answered_as_busy(pipeline: Pipeline, database_url: str):
    """Two messages under one number never become one: the second gets an answer, not an endless try."""
    opened_case(pipeline)
    before = rows_of(database_url)
    tries = 0

    def always(tx: object) -> None:
        nonlocal tries
        tries += 1
        raise Collision

    with pytest.raises(Refused) as refused:
        pipeline._database.write(always)
    assert refused.value.problems[0].category is Category.BUSY
    assert tries > 1
    assert rows_of(database_url) == before


def test_what_breaks_a_rule_of_the_database_is_not_tried_again(pipeline: Pipeline, database_url: str):
    """A row without a value it needs stays wrong however often it is written."""
    before = rows_of(database_url)
    tries = 0

    def without(tx: Connection) -> None:
        nonlocal tries
        tries += 1
        tx.execute(text("INSERT INTO notice (id) VALUES ('n-1')"))

    with pytest.raises(IntegrityError):
        pipeline._database.write(without)
    assert tries == 1
    assert rows_of(database_url) == before


def test_a_key_that_is_there_is_told_without_the_database_refusing_it(pipeline: Pipeline, database_url: str):
    opened_case(pipeline)
    held = rows_of(database_url)["identity"]
    tries = 0

    def again(tx: Connection) -> None:
        nonlocal tries
        tries += 1
        one = held[0]
        resources.add_identities(
            tx, [(one["type"], one["system"], one["value"], "another", 1), ("Device", "x", "new", "y", 1)]
        )

    with pytest.raises(Refused):
        pipeline._database.write(again)
    assert tries > 1
    assert rows_of(database_url)["identity"] == held


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_those_that_try_again_for_the_second_time_go_one_by_one(pipeline: Pipeline):
    within: list[int] = []
    at_once: list[int] = []

    def writer(number: int) -> None:
        tries = itertools.count()

        def work(_tx: object) -> None:
            if next(tries) < 2:
                raise Collision
            within.append(number)
            at_once.append(len(within))
            time.sleep(0.1)
            within.remove(number)

        pipeline._database.write(work)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(writer, range(4)))
    assert at_once == [1, 1, 1, 1]


def test_an_identifier_longer_than_its_column_is_refused_whole_by_either_database(
    pipeline: Pipeline, database_url: str
):
    bundle = referral_bundle("8002")
    bundle["entry"][0]["resource"]["identifier"][0]["value"] = "x" * 300
    del bundle["entry"][0]["request"]["ifNoneExist"]
    before = rows_of(database_url)
    with pytest.raises(Refused) as refused:
        take_bundle(pipeline, bundle)
    assert refused.value.problems[0].category is Category.INVALID
    assert rows_of(database_url) == before


@pytest.mark.parametrize("name", ["a\x00b", "x" * 1000])
def test_a_strange_address_is_not_here(pipeline: Pipeline, name: str):
    for ask in (
        lambda: pipeline.case(name),
        lambda: pipeline.resource("Patient", name),
        lambda: pipeline.version("Patient", name, 1),
    ):
        with pytest.raises(Refused) as refused:
            ask()
        assert refused.value.problems[0].category in (Category.NOT_FOUND, Category.INVALID)
