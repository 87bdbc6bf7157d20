"""The same message twice, from two processes at once, gives one case and one version."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import httpx
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock, Service
from tests.store.faults import conflict_once
from tests.store.messages import (
    Post,
    accepted,
    check_in,
    delivered,
    opened_case,
    referral,
    referral_bundle,
    send,
    setting,
    take,
    take_drafts,
)
from tests.store.whole import check_whole, current, rows_of

_CLIENTS = 6
_ROUNDS = 6


@pytest.fixture
def two_services(database_url: str, start_service: Callable[..., Service]) -> Iterator[list[httpx.Client]]:
    """Clients of two service processes that were started at once on one empty database."""
    with ThreadPoolExecutor(2) as pool:
        services = list(pool.map(start_service, [database_url] * 2))
    with ExitStack() as stack:
        yield [stack.enter_context(services[i % 2].client()) for i in range(_CLIENTS)]


def _at_once(clients: list[httpx.Client], work: Callable[[httpx.Client, int], httpx.Response]) -> list[httpx.Response]:
    """`work` by every client, all released together."""
    barrier = threading.Barrier(len(clients))

    def one(index: int) -> httpx.Response:
        barrier.wait()
        return work(clients[index], index)

    with ThreadPoolExecutor(len(clients)) as pool:
        return list(pool.map(one, range(len(clients))))


def _post_bundle(client: httpx.Client, number: str) -> httpx.Response:
    headers = {"Content-Type": "application/fhir+json"}
    return client.post("/fhir", content=write(referral_bundle(number)), headers=headers)


def _of_type(rows: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [row for row in rows if row["type"] == kind]


@pytest.mark.sampled
def test_a_referral_posted_to_two_processes_at_once_is_one_case(two_services: list[httpx.Client], database_url: str):
    numbers: list[str] = []
    for n in range(_ROUNDS):
        body = referral(f"R-{n}")
        answers = _at_once(two_services, lambda client, _, body=body: send(client, Post("referrals", body)))
        assert sorted(a.status_code for a in answers) == [200] * (_CLIENTS - 1) + [201]
        assert len({a.json()["case_number"] for a in answers}) == 1
        numbers.append(answers[0].json()["case_number"])
    _one_case_each(rows_of(database_url), numbers)


@pytest.mark.long
def test_a_bundle_posted_to_two_processes_at_once_is_one_case(two_services: list[httpx.Client], database_url: str):
    numbers: list[str] = []
    for n in range(_ROUNDS):
        answers = _at_once(two_services, lambda client, _, n=n: _post_bundle(client, f"5{n:03}"))
        assert {a.status_code for a in answers} == {200}
        assert len({a.headers["X-Case-Number"] for a in answers}) == 1
        locations = {tuple(e["response"]["location"] for e in a.json()["entry"]) for a in answers}
        assert len(locations) == 1
        states = [{e["response"]["status"] for e in a.json()["entry"][3:]} for a in answers]
        assert states.count({"201 Created"}) == 1
        numbers.append(answers[0].headers["X-Case-Number"])
    _one_case_each(rows_of(database_url), numbers)


def _one_case_each(held: dict[str, list[dict[str, Any]]], numbers: list[str]) -> None:
    """One case per round with one order and one patient, each at version 1, and every post kept as a message."""
    rows = held["resource_version"]
    assert sorted(c["case_number"] for c in held["case_row"]) == sorted(numbers)
    assert len(held["message"]) == _CLIENTS * len(numbers)
    for kind in ("ServiceRequest", "Patient", "Task", "CarePlan"):
        assert [r["version"] for r in _of_type(rows, kind)] == [1] * len(numbers), kind
    assert len({load(r["body"])["identifier"][0]["value"] for r in _of_type(rows, "Patient")}) == len(numbers)
    check_whole(held)


@pytest.mark.long
def test_progress_posted_to_two_processes_at_once_is_stored_once(two_services: list[httpx.Client], database_url: str):
    number = send(two_services[0], Post("referrals", referral())).json()["case_number"]
    for post in (accepted(), delivered(), setting("s0", "2026-08-24", 0), check_in("c1", "2026-09-01", weight_kg=82.5)):
        answers = _at_once(two_services, lambda client, _, post=post: send(client, post, number))
        assert {a.status_code for a in answers} <= {200, 201}
        assert len({write([r["reference"] for r in a.json()["resources"]]) for a in answers}) == 1
    held = rows_of(database_url)
    for kind, count in (("Device", 2), ("DeviceUseStatement", 1), ("QuestionnaireResponse", 1)):
        assert [r["version"] for r in _of_type(held["resource_version"], kind)] == [1] * count, kind
    check_whole(held)


@pytest.mark.sampled
def test_revisions_posted_to_two_processes_at_once_leave_the_highest(
    two_services: list[httpx.Client], database_url: str
):
    number = send(two_services[0], Post("referrals", referral())).json()["case_number"]
    for n in range(_ROUNDS):
        answers = _at_once(
            two_services,
            lambda client, i, n=n: send(client, check_in(f"c{n}", "2026-09-01", snoring=i, revision=i + 1), number),
        )
        assert {a.status_code for a in answers} <= {200, 201}
    held = rows_of(database_url)
    responses = [load(r["body"]) for r in current(_of_type(held["resource_version"], "QuestionnaireResponse")).values()]
    given = [next(i for i in r["item"] if i["linkId"] == "snoring")["answer"][0]["valueDecimal"] for r in responses]
    assert given == [_CLIENTS - 1] * _ROUNDS
    check_whole(held)


def test_an_earlier_revision_that_waited_for_a_later_one_is_not_applied(new_postgres: Callable[[], str], clock: Clock):
    """Both are looked up before either is stored: the case row is held until both wait for it, the later one first."""
    url = new_postgres()
    pipeline = build_pipeline(Settings(database_url=url), clock=clock)
    number = opened_case(pipeline, [check_in("c1", "2026-09-01", snoring=9)])
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"))
    with ThreadPoolExecutor(2) as pool, engine.connect() as holder, engine.connect() as watcher:
        holder.execute(text("SELECT 1 FROM case_row FOR UPDATE"))
        later = pool.submit(take, pipeline, check_in("c1", "2026-09-01", snoring=3, revision=3), number)
        _wait_for_waiting(watcher, 1)
        earlier = pool.submit(take, pipeline, check_in("c1", "2026-09-01", snoring=2, revision=2), number)
        _wait_for_waiting(watcher, 2)
        holder.rollback()
        assert {o.what for o in later.result().outcomes} == {"updated"}
        assert {o.what for o in earlier.result().outcomes} == {"kept"}
    engine.dispose()
    pipeline.close()
    check_whole(rows_of(url))


def _wait_for_waiting(watcher: Any, count: int) -> None:
    """Until `count` other sessions of this database wait for a lock."""
    query = text(
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
    )
    for _ in range(100_000):
        waiting = watcher.execute(query).scalar()
        watcher.rollback()
        if waiting == count:
            return
    raise AssertionError(f"never saw {count} sessions wait")


def test_an_entry_known_by_its_content_alone_is_known_again_after_a_conflict(pipeline: Pipeline, database_url: str):
    """A try that is given up must leave nothing in the message that the next try reads."""

    with conflict_once(pipeline, at="INSERT INTO resource_version"):
        first = take_drafts(pipeline)
    again = take_drafts(pipeline)
    assert [o.what for o in first.outcomes] == ["created", "created"]
    assert [o.what for o in again.outcomes] == ["unchanged", "unchanged"]
    assert [o.reference for o in again.outcomes] == [o.reference for o in first.outcomes]
