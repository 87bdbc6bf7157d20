"""The outbox: a notice with each decision that gives a party something new to do, and numbers without a gap."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import MetaData, Table, create_engine, inspect, text
from sqlalchemy.engine import make_url

from service.fhir.json_text import load, write
from service.fhir.subscription import problems_of, wanted_of
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.pipeline.hand_out import hand_out
from service.pipeline.subscriptions import Subscriptions
from service.settings import Settings
from service.store import migrations, notices, subscriptions
from service.store.notice_tables import NoticeRow, SubscriptionEventRow, SubscriptionRow
from service.wiring import build_pipeline
from tests.conftest import SEAL, Clock
from tests.outbound.asked import subscription
from tests.outbound.receiver import numbers_of
from tests.store.faults import Fault, fault_at, fault_at_commit
from tests.store.messages import (
    Post,
    accepted,
    delivered,
    example,
    opened_case,
    ordered,
    red_flag,
    referral,
    settled_course,
    take,
)
from tests.store.whole import check_whole, rows_of

_WRITERS = 16
BASE = "http://relay.example/fhir"


def subscribed(pipeline: Pipeline, **wishes: Any) -> str:
    """A new subscription; its id."""
    return doors(pipeline).create(write(subscription(**wishes)).encode(), BASE, "request-1")["id"]


def doors(pipeline: Pipeline) -> Subscriptions:
    return Subscriptions(pipeline.database, Egress("127.0.0.1", on_loopback=True), SEAL, pipeline.now)


def _outbox(database_url: str) -> list[tuple[Any, ...]]:
    rows = sorted(rows_of(database_url)["notice"], key=lambda r: (r["made_at"], r["id"]))
    return [(r["whose_move"], r["stage"], r["since"], bool(r["urgent"])) for r in rows]


def test_each_move_of_a_case_is_one_notice_to_the_party_whose_move_it_is(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline)
    assert _outbox(database_url) == [("dentist", "referred", "2026-08-03", False)]
    take(pipeline, Post("referrals", referral()))
    assert len(_outbox(database_url)) == 1, "a repeat tells nothing new"
    for post in settled_course():
        take(pipeline, post, number)
    told = _outbox(database_url)
    assert told[1] == ("dentist", "accepted", "2026-08-03", False)
    assert told[-1] == ("physician", "ready-for-test", "2026-11-13", False)
    take(pipeline, ordered("T-1", "2026-11-19"), number)
    assert _outbox(database_url)[len(told) :] == [("sleep lab", "test-ordered", "2026-11-19", False)]
    take(pipeline, red_flag("f1", "2026-11-19"), number)
    assert _outbox(database_url)[-1][1:] == ("under-review", "2026-11-19", True)
    assert "patient" not in {who for who, *_ in _outbox(database_url)}
    check_whole(rows_of(database_url))


def test_a_request_to_cancel_is_told_to_the_dental_office_although_it_was_its_move_before(
    pipeline: Pipeline, database_url: str
):
    number = opened_case(pipeline, [*settled_course()[:2], delivered(delivered_on="2026-11-10")])
    assert pipeline.case(number)["whose_move"] == "dentist"
    before = _outbox(database_url)
    take(pipeline, Post("cancellation", {"on": "2026-11-19", "reason": "moved away"}), number)
    case = pipeline.case(number)
    after = sorted(rows_of(database_url)["notice"], key=lambda r: (r["made_at"], r["id"]))
    assert len(after) == len(before) + 1
    assert (after[-1]["whose_move"], after[-1]["stage"]) == ("dentist", case["stage"]) == before[-1][:2]
    kind, name = after[-1]["focus"].split("/")
    assert load(pipeline.resource(kind, name).body)["code"]["coding"][0]["code"] == "abort"
    check_whole(rows_of(database_url))


def test_a_notice_names_the_party_and_the_resource_to_look_at_and_nothing_of_the_patient(
    pipeline: Pipeline, database_url: str
):
    number = opened_case(pipeline, [*settled_course(), ordered("T-1", "2026-11-19")])
    links = pipeline.case(number)["resources"]
    held = sorted(rows_of(database_url)["notice"], key=lambda r: (r["made_at"], r["id"]))
    first, ready, test = held[0], held[-2], held[-1]
    assert (first["focus"], first["owner"]) == (links["task"], links["dental_office"])
    assert first["organization"] == links["dental_office"]
    assert (ready["owner"], ready["focus"]) == (
        links["physician"],
        f"ServiceRequest/{number}-test-proposal-2026-10-20",
    )
    assert pipeline.resource(*ready["focus"].split("/")).body
    assert test["focus"] == f"CarePlan/{number}"
    laboratory = pipeline.resource(*test["owner"].split("/"))
    assert example("sleep-lab/referral.json")["laboratory"]["name"] in laboratory.body
    text = write([{k: str(v) for k, v in row.items()} for row in held])
    patient = referral()["patient"]
    for secret in (patient["family_name"], patient["birth_date"], patient["id"], links["patient"]):
        assert secret not in text


def test_a_day_that_passes_tells_the_party_whose_move_it_becomes(pipeline: Pipeline, database_url: str, clock: Clock):
    number = opened_case(pipeline, settled_course())
    before = _outbox(database_url)
    clock.move(days=40)
    pipeline.refresh(number)
    case = pipeline.case(number)
    assert (case["stage"], case["whose_move"]) != ("ready-for-test", "physician")
    after = _outbox(database_url)
    assert len(after) == len(before) + (case["whose_move"] != "patient")
    check_whole(rows_of(database_url))


@pytest.mark.parametrize("name", ["referral", "order", "acceptance", "day"])
def test_a_fault_at_any_statement_leaves_neither_decision_nor_notice(
    pipeline: Pipeline, database_url: str, clock: Clock, name: str
):
    number = opened_case(pipeline, settled_course())
    fresh = take(pipeline, Post("referrals", referral("R-7"))).case_number
    if name == "day":
        clock.move(days=40)
    works: dict[str, Callable[[], Any]] = {
        "referral": lambda: take(pipeline, Post("referrals", referral("R-8"))),
        "order": lambda: take(pipeline, ordered("T-1", "2026-11-19"), number),
        "acceptance": lambda: take(pipeline, accepted(), fresh),
        "day": lambda: pipeline.refresh(number),
    }
    before = rows_of(database_url)
    for statement in range(1000):
        with fault_at(pipeline, statement) as seen:
            try:
                works[name]()
                break
            except Fault:
                assert rows_of(database_url) == before, f"a fault at «{seen[-1]}» left a trace"
    after = rows_of(database_url)
    assert len(after["notice"]) == len(before["notice"]) + 1
    assert after["case_row"] != before["case_row"]
    assert statement > 4


def test_a_fault_at_any_statement_of_a_handing_out_leaves_no_gap(pipeline: Pipeline, database_url: str):
    names = [subscribed(pipeline), subscribed(pipeline, filters="whose-move=physician")]
    opened_case(pipeline, settled_course())
    before = rows_of(database_url)
    with fault_at_commit(pipeline), pytest.raises(Fault):
        pipeline.database.write(hand_out)
    for statement in range(1000):
        with fault_at(pipeline, statement):
            try:
                pipeline.database.write(hand_out)
                break
            except Fault:
                assert rows_of(database_url) == before
    assert statement > 4
    check_gapless(rows_of(database_url), names)


def check_gapless(held: dict[str, list[dict[str, Any]]], names: list[str]) -> None:
    """The events of each subscription are 1 to its count, and each notice that it takes is one of them, once."""
    rows = {r["id"]: r for r in held["subscription"]}
    for name in names:
        mine = [e for e in held["subscription_event"] if e["subscription_id"] == name]
        assert sorted(e["number"] for e in mine) == list(range(1, rows[name]["last_event"] + 1))
        assert len({e["notice_id"] for e in mine}) == len(mine)
    order = {n["id"]: (n["case_number"], n["made_at"]) for n in held["notice"]}
    for name in names:
        by_case: dict[str, list[str]] = {}
        for event in sorted((e for e in held["subscription_event"] if e["subscription_id"] == name), key=_number):
            case, made_at = order[event["notice_id"]]
            by_case.setdefault(case, []).append(made_at)
        assert all(times == sorted(times) for times in by_case.values())


def _number(event: dict[str, Any]) -> int:
    return event["number"]


@pytest.mark.sampled
def test_numbers_are_gapless_with_many_writers_and_many_that_hand_out(database_url: str, clock: Clock):
    """Sixteen writers each open cases and move them, while four hand out; nothing is lost, doubled or out of order."""
    pipelines = [build_pipeline(Settings(database_url=database_url), clock=clock) for _ in range(2)]
    names = [subscribed(pipelines[0]), subscribed(pipelines[0], filters="whose-move=dentist")]
    stop = threading.Event()

    def write_some(writer: int) -> None:
        pipeline = pipelines[writer % 2]
        for n in range(3):
            number = take(pipeline, Post("referrals", referral(f"R-{writer}-{n}"))).case_number
            take(pipeline, accepted(), number)
            take(pipeline, red_flag("f1", "2026-11-19"), number)

    def hand_out_some(which: int) -> None:
        while not stop.is_set():
            pipelines[which % 2].database.write(hand_out)

    with ThreadPoolExecutor(_WRITERS + 4) as pool:
        handing = [pool.submit(hand_out_some, n) for n in range(4)]
        for done in [pool.submit(write_some, n) for n in range(_WRITERS)]:
            done.result()
        stop.set()
        for done in handing:
            done.result()
    pipelines[0].database.write(hand_out)
    held = rows_of(database_url)
    for pipeline in pipelines:
        pipeline.close()
    assert len(held["notice"]) == _WRITERS * 3 * 3
    assert all(n["handed_out"] for n in held["notice"])
    events = [e for e in held["subscription_event"] if e["subscription_id"] == names[0]]
    assert {e["notice_id"] for e in events} == {n["id"] for n in held["notice"]}
    check_gapless(held, names)
    check_whole(held)


def test_a_database_from_before_notices_is_brought_to_them_with_its_cases(
    empty_database_url: str, tmp_path: Path, clock: Clock
):
    """The rows of a case, put into a database at the revision before, are there afterwards, and the case goes on."""
    now = build_pipeline(Settings(database_url=f"sqlite:///{tmp_path}/now.db"), clock=clock)
    number = opened_case(now)
    url = make_url(empty_database_url)
    engine = create_engine(url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url)
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    with engine.begin() as connection, now.database.engine.connect() as source:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        for name in ("resource_version", "identity", "case_row", "fact", "message"):
            table = Table(name, MetaData(), autoload_with=connection)
            rows = source.execute(text(f"SELECT {', '.join(table.columns.keys())} FROM {name}")).mappings()
            connection.execute(table.insert(), [_fitting(dict(row)) for row in rows])
    engine.dispose()
    now.close()
    brought = build_pipeline(Settings(database_url=empty_database_url), clock=clock)
    name = subscribed(brought)
    take(brought, accepted(), number)
    assert numbers_of(doors(brought).events(name, 0, None, None)) == [1]
    brought.close()
    check_whole(rows_of(empty_database_url))


def _fitting(row: dict[str, Any]) -> dict[str, Any]:
    return row | ({"urgent": bool(row["urgent"])} if "urgent" in row else {})


def test_the_tables_are_as_the_code_says(pipeline: Pipeline):
    wanted = {row.__tablename__: row.__table__ for row in (NoticeRow, SubscriptionRow, SubscriptionEventRow)}
    for name, table in wanted.items():
        held = {c["name"]: c for c in inspect(pipeline.database.engine).get_columns(name)}
        assert set(held) == set(table.columns.keys())
        assert {n for n, c in held.items() if c["nullable"]} == {c.name for c in table.columns if c.nullable}
        lengths = {c.name: getattr(c.type, "length", None) for c in table.columns}
        assert {n: getattr(c["type"], "length", None) for n, c in held.items()} == lengths
        indexes = {i["name"] for i in inspect(pipeline.database.engine).get_indexes(name)}
        assert indexes == {i.name for i in table.indexes}


def test_a_new_subscription_begins_with_what_is_decided_after_it(pipeline: Pipeline):
    early = subscribed(pipeline)
    number = opened_case(pipeline)
    late = subscribed(pipeline)
    take(pipeline, accepted(), number)
    assert numbers_of(doors(pipeline).events(early, 0, None, None)) == [1, 2]
    assert numbers_of(doors(pipeline).events(late, 0, None, None)) == [1]


@pytest.mark.parametrize(
    ("filters", "count"),
    [
        ("whose-move=dentist", 2),
        ("whose-move=physician", 1),
        ("whose-move=physician,dentist", 3),
        ("whose-move=dentist&stage=referred", 1),
        ("whose-move=physician&stage=referred", 0),
        ("owner={dental_office}", 2),
        ("owner={physician}", 1),
        ("owner={dental_office},{physician}", 3),
        ("owner=Organization/elsewhere", 0),
        ("stage=ready-for-test", 1),
    ],
)
def test_filters_narrow_what_is_told(sqlite_pipeline: Pipeline, filters: str, count: int):
    pipeline = sqlite_pipeline
    first = opened_case(pipeline)
    links = pipeline.case(first)["resources"]
    second = referral("R-2")
    second["patient"] = {**second["patient"], "id": "P-2"}
    name = subscribed(pipeline, filters=filters.format(**links))
    number = take(pipeline, Post("referrals", second)).case_number
    for post in settled_course():
        take(pipeline, post, number)
    told = pipeline.database.read(lambda tx: notices.waiting(tx, 100))
    told = [n for n in told if n.case_number == number and n.stage in ("referred", "accepted", "ready-for-test")]
    assert [n.stage for n in told] == ["referred", "accepted", "ready-for-test"]
    pipeline.database.write(hand_out)
    held = pipeline.database.read(lambda tx: subscriptions.get(tx, name))
    assert held
    events = pipeline.database.read(lambda tx: notices.events(tx, name, 0, held.last_event, 100))
    assert len([1 for _, n in events if n in told]) == count


def test_a_subscription_that_is_off_or_deleted_gets_no_more_events(pipeline: Pipeline, database_url: str):
    name = subscribed(pipeline)
    number = opened_case(pipeline)
    body = {**subscription(status="off"), "id": name}
    doors(pipeline).update(name, write(body).encode(), 1, BASE, "request-2")
    take(pipeline, accepted(), number)
    assert numbers_of(doors(pipeline).events(name, 0, None, None)) == [1]
    doors(pipeline).delete(name, "request-3")
    doors(pipeline).delete(name, "request-4")
    pipeline.database.write(hand_out)
    take(pipeline, red_flag("f1", "2026-11-19"), number)
    assert pipeline.database.write(hand_out) == 1
    assert rows_of(database_url)["subscription_event"] == []


def test_what_a_subscription_asks_for_is_read_from_the_example():
    body = subscription(filters="whose-move=physician&stage=tested", heartbeat_s=60, timeout_s=5, most=3)
    assert problems_of(body) == []
    wanted = wanted_of(body)
    assert dict(wanted.filters) == {"whose-move": {"physician"}, "stage": {"tested"}}
    assert (wanted.heartbeat_s, wanted.timeout_s, wanted.most_events, wanted.content) == (60, 5, 3, "id-only")


def test_what_was_sent_is_forgotten_after_its_time_and_what_waits_is_kept(
    pipeline: Pipeline, database_url: str, clock: Clock
):
    sent, waits, off = (subscribed(pipeline) for _ in range(3))
    opened_case(pipeline, settled_course())
    pipeline.database.write(hand_out)
    clock.move(days=80)
    take(pipeline, Post("referrals", referral("R-3001")))
    pipeline.database.write(hand_out)
    last = {r["id"]: r["last_event"] for r in rows_of(database_url)["subscription"]}
    assert last[sent] == last[waits] > 1

    def send(tx: Any) -> None:
        tx.execute(text("UPDATE subscription SET sent_event = last_event WHERE id = :s"), {"s": sent})
        tx.execute(text("UPDATE subscription SET status = 'off' WHERE id = :s"), {"s": off})

    pipeline.database.write(send)
    clock.move(days=11)
    doors(pipeline).forget_old()
    assert {r["last_event"] for r in rows_of(database_url)["subscription"]} == {last[sent]}
    assert len([r for r in rows_of(database_url)["subscription_event"] if r["subscription_id"] == waits]) == last[waits]
    pipeline.database.write(
        lambda tx: tx.execute(text("UPDATE subscription SET sent_event = 1 WHERE id = :s"), {"s": waits})
    )
    doors(pipeline).forget_old()
    kept = rows_of(database_url)
    for one in (sent, waits):
        numbers = {r["number"] for r in kept["subscription_event"] if r["subscription_id"] == one}
        assert numbers == set(range(2, last[one] + 1))
    assert len(kept["notice"]) == last[sent] - 1
    events = doors(pipeline).events(sent, 0, None, None)
    assert numbers_of(events) == list(range(2, last[sent] + 1))
