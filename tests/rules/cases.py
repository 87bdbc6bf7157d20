"""Generated cases: ties, gaps, repeated and late days, facts after the day of the decision. All invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
)
from service.rules.kinds import (
    HypopnoeaRule,
    IndexName,
    Office,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    TestPlace,
    TestPurpose,
    Worn,
)
from service.rules.referral_order import Referral
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source

from .build import ago, good_check_in, setting

TUPLES = (
    "assessments",
    "appliances",
    "settings",
    "check_ins",
    "side_effects",
    "red_flags",
    "sleep_tests",
    "test_orders",
    "physician_decisions",
    "visits",
)

_NO_SOURCE = Source("", 0)


def _numbers(*values: str) -> st.SearchStrategy[Decimal]:
    return st.sampled_from([Decimal(v) for v in values])


def _maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


def _days(first: int, last: int) -> st.SearchStrategy[Any]:
    """Days from `first` to `last` days ago, so few that several facts often share one."""
    return st.integers(last, first).map(ago)


def _moments(first: int, last: int) -> st.SearchStrategy[Moment]:
    return st.builds(Moment, _days(first, last), st.sampled_from(["", "", "07:30:00", "21:00:00"]))


_ADVANCES = _numbers("0", "1", "1.5", "2", "2.0", "2.25", "2.5", "3")

_APPLIANCE = st.builds(
    Appliance,
    source=st.just(_NO_SOURCE),
    delivered_on=_days(50, 20) | _days(50, -3),
    ended_on=_maybe(_days(10, -3)),
    maximum_advance_mm=_maybe(_numbers("2", "3", "5")),
    smallest_step_mm=_maybe(_numbers("0.1", "0.25", "0.5", "1")),
    starting_position_mm=_maybe(_numbers("3", "5")),
    limit_source=_maybe(st.sampled_from([Source("Device/1", 1), Source("Device/2", 2)])),
)
_ASSESSMENT = st.builds(
    DentalAssessment,
    source=st.just(_NO_SOURCE),
    moment=_moments(60, 30) | _moments(400, 395),
    protrusive_range_mm=_maybe(_numbers("5.5", "7", "10", "11.5")),
    teeth_upper=_maybe(st.sampled_from([9, 10, 14])),
    teeth_lower=_maybe(st.sampled_from([9, 10, 14])),
    mobile_teeth=_maybe(st.booleans()),
    active_tmj_disorder=_maybe(st.booleans()),
    overjet_mm=_maybe(_numbers("3.5", "3", "2.1")),
    overbite_mm=_maybe(_numbers("3", "2.75", "1")),
)
_SETTING = st.builds(
    Setting,
    source=st.just(_NO_SOURCE),
    moment=_moments(45, -3),
    left_mm=_ADVANCES,
    right_mm=_ADVANCES,
    difference_intended=st.booleans(),
    taken_back_for_side_effect=st.booleans(),
)
_CHECK_IN = st.builds(
    CheckIn,
    source=st.just(_NO_SOURCE),
    moment=_moments(60, -5) | st.sampled_from([Moment(ago(9)), Moment(ago(2))]),
    reported_by=st.sampled_from(["patient", "patient", "bed-partner", "sensor"]),
    snoring=_maybe(_numbers("0", "2", "3", "3.1", "7")),
    restedness=_maybe(_numbers("3", "6.9", "7", "7.0", "9")),
    epworth_total=_maybe(st.integers(6, 13)),
    nights_reported=_maybe(st.sampled_from([0, 3, 7, 10])),
    nights_worn=_maybe(st.sampled_from([0, 2, 3])),
    hours_per_night=_maybe(_numbers("3.9", "4", "6.5")),
    hours_slept_per_night=_maybe(_numbers("5", "7.25")),
    weight_kg=_maybe(_numbers("80", "84.4", "91")),
    witnessed_pauses=_maybe(st.booleans()),
)
_SIDE_EFFECT = st.builds(
    SideEffect,
    source=st.just(_NO_SOURCE),
    moment=_moments(40, -3),
    kind=st.sampled_from(["jaw-pain", "dry-mouth"]),
    grade=st.integers(0, 3),
    onset=_days(40, -3),
    ended_on=_maybe(_days(20, -3)),
)
_RED_FLAG = st.builds(
    RedFlag,
    source=st.just(_NO_SOURCE),
    moment=_moments(20, -3),
    kind=st.sampled_from(RedFlagKind),
    resolved_on=_maybe(_days(20, -3)),
)
_SLEEP_TEST = st.builds(
    SleepTest,
    source=st.just(_NO_SOURCE),
    day=_days(90, -3),
    purpose=st.sampled_from(TestPurpose),
    place=_maybe(st.sampled_from(TestPlace)),
    index_name=_maybe(st.sampled_from(IndexName)),
    index_per_hour=_maybe(_numbers("0", "4.9", "5", "12.5", "30")),
    hypopnoea_rule=st.sampled_from(HypopnoeaRule),
    recording_hours=_maybe(_numbers("3.9", "4", "7.25")),
    event_count=_maybe(st.sampled_from([0, 16, 20, 50, 120])),
    odi_per_hour=_maybe(_numbers("3", "11.2")),
    odi_drop_percent=_maybe(st.sampled_from([3, 4])),
    lowest_spo2_percent=_maybe(_numbers("78", "88.5")),
    t90_percent=_maybe(_numbers("0", "6.4")),
    supine_per_hour=_maybe(_numbers("0", "12", "30.5")),
    non_supine_per_hour=_maybe(_numbers("0", "6", "15.25")),
    central_share=_maybe(_numbers("0.1", "0.5", "0.6")),
    worn=st.sampled_from(list(Worn)),
    setting_left_mm=_maybe(_ADVANCES),
    setting_right_mm=_maybe(_ADVANCES),
    measure_sources=st.sampled_from([(), (Source("Observation/a", 2), Source("Observation/b", 1))]),
)
_ORDER = st.builds(TestOrder, source=st.just(_NO_SOURCE), day=_days(30, -3))
_CHOICE = st.builds(
    PhysicianDecision, source=st.just(_NO_SOURCE), moment=_moments(20, -3), choice=st.sampled_from(PhysicianChoice)
)
_VISIT = st.builds(Visit, source=st.just(_NO_SOURCE), day=_days(50, -3), office=st.sampled_from(Office))
_CONDITIONS = st.sampled_from([(), ("hypertension",), ("insomnia", "asthma", "hypertension")])
REFERRAL = st.builds(
    Referral,
    source=st.just(Source("ServiceRequest/r", 1)),
    day=_days(90, 60) | _days(3, -3),
    state=st.sampled_from(ReferralState),
    birth_date=_maybe(st.dates(date(1940, 1, 1), date(2010, 12, 31))),
    prescriber=_maybe(st.just("Practitioner/p")),
    diagnosis_codes=st.sampled_from([(), ("G47.33",), ("R06.83", "G47.33"), ("R06.83",)]),
    pap_history=_maybe(st.sampled_from(["not tried", "declined", "not tolerated", "not effective", "in use"])),
    prescriber_is_physician=_maybe(st.booleans()),
    conditions=_CONDITIONS,
    face_to_face_on=_maybe(_days(95, 70)),
    ordered_by_treating_practitioner=_maybe(st.booleans()),
    pap_contraindicated=_maybe(st.booleans()),
    dentist_licensed=_maybe(st.booleans()),
    state_since=st.lists(st.tuples(_days(80, -3), st.sampled_from(ReferralState)), max_size=3).map(tuple),
)

KINDS: dict[str, tuple[st.SearchStrategy[Any], int]] = {
    "assessments": (_ASSESSMENT, 2),
    "appliances": (_APPLIANCE, 2),
    "settings": (_SETTING, 4),
    "check_ins": (_CHECK_IN, 5),
    "side_effects": (_SIDE_EFFECT, 3),
    "red_flags": (_RED_FLAG, 2),
    "sleep_tests": (_SLEEP_TEST, 3),
    "test_orders": (_ORDER, 2),
    "physician_decisions": (_CHOICE, 2),
    "visits": (_VISIT, 2),
}


def _with_sources(kind: str, facts: list[Any]) -> tuple[Any, ...]:
    """Each fact with a source of its own, as two records of one event have."""
    return tuple(replace(fact, source=Source(f"{kind}/{i}", 1 + i % 2)) for i, fact in enumerate(facts))


@st.composite
def wild_cases(draw: Callable[..., Any]) -> CaseFacts:
    """Anything goes: most of these are far from ready."""
    held: dict[str, Any] = {"referral": draw(_maybe(REFERRAL))}
    for kind, (facts, most) in KINDS.items():
        drawn = draw(st.lists(facts, max_size=most))
        if drawn and draw(st.booleans()):
            drawn.append(drawn[0])
        held[kind] = _with_sources(kind, drawn)
    return CaseFacts(**held)


@st.composite
def orderly_cases(draw: Callable[..., Any]) -> CaseFacts:
    """A treatment that goes more or less as it should: ready, nearly ready, or at the limit."""
    onset = draw(st.integers(12, 24))
    advance = draw(st.sampled_from(["1", "2", "3"]))
    settings = [setting(40, draw(st.sampled_from(["0", "3", "4"]))), setting(onset, advance)]
    if draw(st.booleans()):
        settings.append(setting(draw(st.integers(0, onset)), advance, taken_back_for_side_effect=draw(st.booleans())))
    mostly_good = {
        "snoring": st.sampled_from(["1", "2", "3", "3", "3.5"]),
        "restedness": st.sampled_from(["7", "8", "9", "9", "6"]),
        "epworth_total": st.sampled_from([None, None, 8, 9, 11]),
        "nights_worn": st.sampled_from([7, 7, 6, 3]),
        "witnessed_pauses": st.sampled_from([None, False, False, True]),
    }
    days = draw(st.lists(st.integers(-3, onset - 1), min_size=2, max_size=4))
    check_ins = [good_check_in(d, **{k: draw(v) for k, v in mostly_good.items()}) for d in days]
    before = draw(_maybe(st.integers(7, 14)))
    if before is not None:
        check_ins.append(CheckIn(_NO_SOURCE, Moment(ago(55)), epworth_total=before))
    delivered = replace(draw(_APPLIANCE), delivered_on=ago(50), ended_on=None)
    tested = SleepTest(
        _NO_SOURCE, ago(80), TestPurpose.BASELINE, index_name=IndexName.AHI, index_per_hour=Decimal("22.5")
    )
    kept: dict[str, Any] = {
        "appliances": [delivered],
        "settings": settings,
        "check_ins": check_ins,
        "sleep_tests": [tested],
    }
    for kind in ("assessments", "side_effects", "sleep_tests", "test_orders", "physician_decisions", "visits"):
        extra = draw(st.lists(KINDS[kind][0], max_size=1))
        kept[kind] = kept.get(kind, []) + extra
    return CaseFacts(draw(REFERRAL), **{kind: _with_sources(kind, facts) for kind, facts in kept.items()})


def cases() -> st.SearchStrategy[CaseFacts]:
    """Whole cases, about half of them orderly."""
    return orderly_cases() | wild_cases()


def as_of_days() -> st.SearchStrategy[Any]:
    """The day of a decision: today or a few days back, so that some facts lie after it."""
    return _days(8, 0)


@st.composite
def shuffled(draw: Callable[..., Any], facts: CaseFacts) -> CaseFacts:
    """The same facts in another order, and what single facts list in another order."""

    def turned(values: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(draw(st.permutations(values)))

    order = facts.referral
    if order:
        listed = ("state_since", "conditions", "diagnosis_codes")
        order = replace(order, **{name: turned(getattr(order, name)) for name in listed})
    tests = tuple(replace(t, measure_sources=turned(t.measure_sources)) for t in facts.sleep_tests)
    held = replace(facts, referral=order, sleep_tests=tests)
    return replace(held, **{kind: turned(getattr(held, kind)) for kind in TUPLES})
