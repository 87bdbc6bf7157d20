"""Generated courses of a year or two: steps, step-backs, relapses, several tests, a second appliance. All invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

from hypothesis import strategies as st

from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    RedFlagClosure,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
    effective_day,
)
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment

from .build import AS_OF
from .cases import KINDS, REFERRAL, TUPLES

DAYS = 500
_CLOCKS = ("", "", "07:30:00", "21:00:00")


def _at(fact: Any, days_ago: int, clock: str) -> Any:
    """The fact on another day; what else it dates moves with it."""
    day = AS_OF - timedelta(days=days_ago)
    moved = day - effective_day(fact)
    if isinstance(fact, Appliance):
        return replace(fact, delivered_on=day, ended_on=fact.ended_on and fact.ended_on + moved)
    if isinstance(fact, SleepTest | TestOrder | Visit):
        return replace(fact, day=day)
    with_a_moment = DentalAssessment | Setting | CheckIn | SideEffect | RedFlag | RedFlagClosure | PhysicianDecision
    assert isinstance(fact, with_a_moment)
    held = replace(fact, moment=Moment(day, clock))
    if isinstance(held, SideEffect):
        ended = held.ended_on and held.ended_on + moved
        return replace(held, onset=held.onset + moved, ended_on=ended)
    if isinstance(held, PhysicianDecision):
        return replace(held, start_by=held.start_by and held.start_by + moved)
    if isinstance(held, RedFlag):
        return replace(held, resolved_on=held.resolved_on and held.resolved_on + moved)
    return held


_MOST = {"check_ins": 14, "settings": 7, "side_effects": 5, "sleep_tests": 4, "red_flags": 4, "red_flag_closures": 4}


@st.composite
def _regular(draw: Callable[..., Any], first: int, last: int) -> list[CheckIn]:
    """Check-ins of one reporter, every so many days, mostly alike."""
    every = draw(st.integers(4, 30))
    usual = draw(KINDS["check_ins"][0])
    other = draw(KINDS["check_ins"][0])
    exceptions = draw(st.sets(st.integers(0, 20), max_size=4))
    days = range(first, last, -every)
    return [_at(other if i in exceptions else usual, day, usual.moment.clock) for i, day in enumerate(days)]


@st.composite
def long_cases(draw: Callable[..., Any], first: int = DAYS, last: int = -20) -> CaseFacts:
    """A course whose facts lie between `first` and `last` days before the day of the tests."""
    days, clocks = st.integers(last, first), st.sampled_from(_CLOCKS)
    held: dict[str, Any] = {"referral": draw(st.none() | REFERRAL)}
    for kind in TUPLES:
        facts, most = KINDS[kind]
        drawn = draw(st.lists(facts, max_size=_MOST.get(kind, most)))
        held[kind] = [_at(fact, draw(days), draw(clocks)) for fact in drawn]
    for _ in range(draw(st.integers(0, 2))):
        begin = draw(days)
        held["check_ins"] += draw(_regular(begin, draw(st.integers(last, begin))))
    repeated = draw(st.integers(0, 6))
    if held["settings"] and repeated:
        again = held["settings"][0]
        held["settings"] += [_at(again, draw(days), draw(clocks)) for _ in range(repeated)]
    return CaseFacts(**{k: v if k == "referral" else named(k, v) for k, v in held.items()})


def named(kind: str, facts: list[Any], prefix: str = "") -> tuple[Any, ...]:
    """Each fact with a source of its own."""
    named_so = [replace(f, source=f.source._replace(reference=f"{kind}/{prefix}{i}")) for i, f in enumerate(facts)]
    return tuple(replace(f, source=f.source._replace(version=1)) for f in named_so)
