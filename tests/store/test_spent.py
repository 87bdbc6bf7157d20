"""A long course is decided from the facts that still matter; whatever comes late, the answer is that from all facts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.pipeline import Pipeline
from service.rows import FactText
from service.rules.site import Site
from service.rules.thresholds import Thresholds
from service.settings import Settings
from service.store import cases
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.short_run import times
from tests.store.messages import (
    Post,
    check_in,
    delivered,
    example,
    opened_case,
    referral,
    setting,
    settled_course,
    take,
)
from tests.store.whole import check_whole, rows_of


@pytest.fixture
def loaded(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many fact rows each message loaded."""
    counts: list[int] = []
    real = cases.facts

    def counting(*arguments: Any, **more: Any) -> list[FactText]:
        rows = real(*arguments, **more)
        counts.append(len(rows))
        return rows

    monkeypatch.setattr(cases, "facts", counting)
    return counts


@pytest.fixture
def course(database_url: str, clock: Clock) -> Iterator[Pipeline]:
    pipeline = build_pipeline(Settings(database_url=database_url), clock=clock)
    yield pipeline
    pipeline.close()
    check_whole(rows_of(database_url))


def _weekly(pipeline: Pipeline, clock: Clock, number: str, weeks: int, first: int = 0) -> None:
    for week in range(first, first + weeks):
        clock.move(days=7)
        take(pipeline, check_in(f"w{week}", clock.now.date().isoformat(), 2 + week % 3, epworth_total=None), number)


@pytest.mark.sampled
def test_a_message_loads_as_much_of_a_long_course_as_of_a_short_one(
    course: Pipeline, clock: Clock, loaded: list[int]
) -> None:
    number = opened_case(course, settled_course())
    _weekly(course, clock, number, 80)
    after_a_year = loaded[-1]
    _weekly(course, clock, number, 40, first=80)
    assert loaded[-1] == after_a_year < 80


@pytest.mark.sampled
def test_a_late_or_corrected_report_loads_the_whole_course_and_the_next_one_no_more(
    course: Pipeline, clock: Clock, loaded: list[int], database_url: str
) -> None:
    number = opened_case(course, settled_course())
    _weekly(course, clock, number, 80)
    in_use = loaded[-1]
    today = clock.now.date()
    lately = check_in("yesterday", (today - timedelta(days=27)).isoformat())
    take(course, lately, number)
    assert loaded[-1] <= in_use + 1
    for post in (
        check_in("late", (today - timedelta(days=100)).isoformat()),
        check_in("w1", "2026-12-04", 5, revision=2),
        check_in("w2", "2026-12-11", 5, revision=2, entered_in_error=True),
        setting("late-setting", "2026-11-30", 2),
        delivered(entry_id="second", delivered_on="2026-11-25"),
    ):
        every = len(rows_of(database_url)["fact"])
        take(course, post, number)
        assert loaded[-1] == every, post
        clock.move(hours=1)
        take(course, check_in(f"after-{clock.now:%H}", clock.now.isoformat()), number)
        assert loaded[-1] < every - 8


def _spent_check_ins(database_url: str) -> set[str]:
    return {r["id"] for r in rows_of(database_url)["fact"] if r["spent"] and r["type"] == "QuestionnaireResponse"}


@pytest.mark.sampled
def test_a_correction_of_a_spent_report_leaves_it_spent(course: Pipeline, clock: Clock, database_url: str) -> None:
    """The row of a corrected fact is written anew and must be marked anew."""
    number = opened_case(course, settled_course())
    _weekly(course, clock, number, 80)
    before = _spent_check_ins(database_url)
    corrected = take(course, check_in("w20", "2027-04-16", snoring=3, revision=2, epworth_total=None), number).outcomes[
        0
    ]
    assert corrected.what == "updated"
    assert corrected.reference.removeprefix("QuestionnaireResponse/") in before
    assert _spent_check_ins(database_url) == before


@pytest.mark.sampled
def test_other_thresholds_load_the_whole_course_once(
    database_url: str, course: Pipeline, clock: Clock, loaded: list[int]
) -> None:
    """What is spent under one set of thresholds may count under another."""
    number = opened_case(course, settled_course())
    _weekly(course, clock, number, 80)
    in_use = loaded[-1]
    longer = Site(Thresholds().with_values({"wear_recent_days": Thresholds().wear_recent_days.high}))
    other = build_pipeline(Settings(database_url=database_url, site=longer), clock=clock)
    _weekly(other, clock, number, 2, first=80)
    assert loaded[-2] > in_use + 8
    assert loaded[-1] < loaded[-2]
    other.close()
    _weekly(course, clock, number, 1, first=82)


@pytest.mark.sampled
def test_a_past_day_is_read_from_all_facts(course: Pipeline, clock: Clock, loaded: list[int]) -> None:
    number = opened_case(course, settled_course())
    then = course.case_as_of(number, clock.now.date())
    _weekly(course, clock, number, 80)
    in_use = loaded[-1]
    assert course.case_as_of(number, date(2026, 11, 20)) == then
    assert loaded[-1] > in_use + 8
    course.case_as_of(number, clock.now.date() + timedelta(days=30))
    assert loaded[-1] <= in_use + 1


@dataclass(frozen=True, slots=True)
class Event:
    """Something told `late` days after its day, `days` after the event before; `pick` and `value` make its content."""

    days: int
    late: int
    what: str
    pick: int
    value: int


_WHAT = ["check-in"] * 6 + ["setting", "side-effect", "red-flag", "test", "order", "decision", "visit", "appliance"]
_EVENTS = st.lists(
    st.builds(
        Event,
        days=st.integers(0, 45),
        late=st.sampled_from([0, 0, 0, 1, 5, 30, 120]),
        what=st.sampled_from([*_WHAT, "correction", "withdrawal", "sweep", "read"]),
        pick=st.integers(0, 50),
        value=st.integers(0, 9),
    ),
    min_size=8,
    max_size=22,
)


def _post(event: Event, name: str, on: str) -> Post:
    value = event.value
    entry = {"entry_id": name, "reported_on": on}
    if event.what == "check-in":
        more = {"weight_kg": 70 + 3 * value} if value % 2 else {"epworth_total": 6 + value}
        return check_in(name, on, value, nights_worn=value % 8, **more)
    if event.what == "setting":
        return setting(name, on, value % 3)
    if event.what == "side-effect":
        ended = {"ended_on": on} if value > 6 else {}
        return Post(
            "progress",
            {"side_effects": [{**entry, "kind": "jaw-pain", "grade_0_to_3": value % 4, "onset": on, **ended}]},
        )
    if event.what == "red-flag":
        resolved = (
            {"resolved_on": on, "resolved_by": "Dr Teal", "action_taken": "Seen and advised"} if value > 3 else {}
        )
        return Post("progress", {"red_flags": [{**entry, "kind": "broken-appliance", **resolved}]})
    if event.what == "test":
        test = {**example("sleep-lab/efficacy-test.json")["test"], "test_number": name, "performed_on": on}
        index = {"index_events_per_hour": 2 * value, "setting_left_mm": value % 3, "setting_right_mm": value % 3}
        kept = {k: v for k, v in test.items() if k not in ("event_count", "supine_events_per_hour")}
        return Post("sleep-tests", {**example("sleep-lab/efficacy-test.json"), "test": {**kept, **index}})
    if event.what == "order":
        return Post("test-orders", {"order_number": name, "ordered_on": on})
    if event.what == "decision":
        choice = "continue-treatment" if value < 7 else "advance-and-test-again"
        return Post("decisions", {"entry_id": name, "decided_on": on, "decision": choice})
    if event.what == "visit":
        office = "physician" if value % 2 else "dentist"
        return Post("visits", {"entry_id": name, "visited_on": on, "office": office})
    return delivered(entry_id=name, delivered_on=on)


def _corrected(post: Post, event: Event, revision: int) -> Post:
    """A plain progress entry sent again with a higher revision: other content, or in error."""
    ((kind, (entry,)),) = post.body.items()
    changed = {**entry, "revision": revision}
    if event.what == "withdrawal":
        changed["entered_in_error"] = True
    elif kind == "check_ins":
        changed["snoring_0_to_10"] = event.value
    elif kind == "settings":
        changed["advance_left_mm"] = changed["advance_right_mm"] = event.value % 3
    return Post(post.door, {kind: [changed]})


@pytest.mark.at_length
@settings(
    max_examples=times(12, 2),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(_EVENTS)
def test_step_by_step_the_answer_is_that_from_all_facts(database_url: str, events: list[Event]) -> None:
    """Messages in any order, late, corrected and withdrawn ones, and days that pass, on both kinds of database.

    `check_whole` compares the case row, the marks and the CarePlan with what all facts say, read anew from the resources.
    """
    clock = Clock()
    pipeline = build_pipeline(Settings(database_url=database_url), clock=clock)
    try:
        number = take(
            pipeline, Post("referrals", referral(f"R-{id(events)}-{len(rows_of(database_url)['message'])}"))
        ).case_number
        for post in settled_course():
            take(pipeline, post, number)
        progress: list[Post] = []
        for i, event in enumerate(events):
            clock.move(days=event.days)
            today = clock.now.date()
            on = max(today - timedelta(days=event.late), date(2026, 8, 24)).isoformat()
            _tell(pipeline, number, event, f"{number}-{i}", on, progress)
        pipeline.refresh_some()
    finally:
        pipeline.close()
    check_whole(rows_of(database_url))


def _tell(pipeline: Pipeline, number: str, event: Event, name: str, on: str, progress: list[Post]) -> None:
    if event.what == "sweep":
        pipeline.refresh_some()
    elif event.what == "read":
        pipeline.resource("CarePlan", number)
    elif event.what in ("correction", "withdrawal"):
        if progress:
            at = event.pick % len(progress)
            ((_, (entry,)),) = progress[at].body.items()
            progress[at] = _corrected(progress[at], event, entry.get("revision", 1) + 1)
            take(pipeline, progress[at], number)
    else:
        post = _post(event, name, on)
        take(pipeline, post, number)
        if post.door == "progress":
            progress.append(post)
