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
    RedFlagClosure,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
)
from service.rules.kinds import (
    Denominator,
    Driving,
    HealthChange,
    Hearer,
    HypopnoeaRule,
    IndexName,
    Office,
    OwnReading,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    Scoring,
    TestKind,
    TestPlace,
    TestPurpose,
    Worn,
)
from service.rules.referral_order import Referral
from service.rules.sleep_test import ScoredIndex, SleepTest
from service.rules.source import Moment, Source

from .build import ago, good_check_in, setting

TUPLES = (
    "assessments",
    "appliances",
    "settings",
    "check_ins",
    "side_effects",
    "red_flags",
    "red_flag_closures",
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
    reason=st.sampled_from(["", "", "sore"]),
    no_further=st.sampled_from(["", "", "", "gag"]),
)
_CHECK_IN = st.builds(
    CheckIn,
    source=st.just(_NO_SOURCE),
    moment=_moments(60, -5) | st.sampled_from([Moment(ago(9)), Moment(ago(2))]),
    reported_by=st.sampled_from(["patient", "patient", "bed-partner", "sensor"]),
    snoring=_maybe(_numbers("0", "2", "3", "3.1", "7")),
    restedness=_maybe(_numbers("3", "6.9", "7", "7.0", "9")),
    epworth_total=_maybe(st.integers(6, 13) | st.sampled_from([8, 10, 16, 19])),
    nights_reported=_maybe(st.sampled_from([0, 3, 7, 10])),
    nights_worn=_maybe(st.sampled_from([0, 2, 3])),
    hours_per_night=_maybe(_numbers("3.9", "4", "6.5")),
    hours_slept_per_night=_maybe(_numbers("5", "7.25")),
    weight_kg=_maybe(_numbers("80", "84.4", "91")),
    witnessed_pauses=_maybe(st.booleans()),
    who_could_hear=_maybe(st.sampled_from(Hearer)),
    recorder_nights=_maybe(st.sampled_from([2, 3])),
    driving=_maybe(st.sampled_from(Driving)),
    health_changes=st.sampled_from([(), (), (), (HealthChange.STROKE,), (HealthChange.OPIOID, HealthChange.PREGNANCY)]),
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
    resolved_office=st.sampled_from(Office),
    resolved_by=st.sampled_from(["", "Dr A"]),
    action_taken=st.sampled_from(["", "repaired"]),
)
_CLOSURE = st.builds(
    RedFlagClosure,
    source=st.just(_NO_SOURCE),
    moment=_moments(20, -3),
    kind=st.sampled_from(RedFlagKind),
    office=st.sampled_from(Office),
    closed_by=st.just("Dr B"),
    action_taken=st.sampled_from(["seen", "repaired"]),
)
_SCORED = st.builds(
    ScoredIndex, st.sampled_from(IndexName), st.sampled_from(HypopnoeaRule), _numbers("3.1", "7", "14.5")
)
_SLEEP_TEST = st.builds(
    SleepTest,
    source=st.just(_NO_SOURCE),
    day=_days(90, -3),
    purpose=st.sampled_from(TestPurpose),
    place=_maybe(st.sampled_from(TestPlace)),
    kind=_maybe(st.sampled_from(TestKind)),
    further_indices=st.lists(_SCORED, max_size=1).map(tuple),
    rdi_with_arousals=_maybe(st.booleans()),
    monitored_hours=_maybe(_numbers("3.5", "6.5")),
    sleep_hours=_maybe(_numbers("1.9", "4", "6")),
    nights=_maybe(st.sampled_from([1, 2])),
    other_odi_per_hour=_maybe(_numbers("3", "9")),
    t90_of=_maybe(st.sampled_from(Denominator)),
    minutes_at_88=_maybe(_numbers("0", "5", "12")),
    supine_hours=_maybe(_numbers("0", "2.5")),
    supine_share=_maybe(_numbers("0.1", "0.45")),
    central_per_hour=_maybe(_numbers("1", "5", "7.2")),
    central_count=_maybe(st.sampled_from([0, 12])),
    obstructive_count=_maybe(st.sampled_from([0, 30])),
    mixed_count=_maybe(st.sampled_from([0, 4])),
    weight_kg=_maybe(_numbers("80", "91")),
    split_night=_maybe(st.booleans()),
    scoring=st.sampled_from(Scoring),
    worn_hours=_maybe(_numbers("3", "4", "6")),
    index_of_worn_hours=_maybe(st.booleans()),
    pap_on=st.sampled_from([None, None, False, True]),
    positional_device_on=st.sampled_from([None, None, False, True]),
    oxygen_on=st.sampled_from([None, None, False, True]),
    alcohol=_maybe(st.booleans()),
    performer=_maybe(st.just("Organization/lab")),
    index_name=_maybe(st.sampled_from(IndexName)),
    index_per_hour=_maybe(_numbers("0", "4.9", "5", "12.5", "30")),
    hypopnoea_rule=st.sampled_from(HypopnoeaRule),
    recording_hours=_maybe(_numbers("3.9", "4", "7.25")),
    event_count=_maybe(st.sampled_from([0, 16, 20, 50, 120])),
    odi_per_hour=_maybe(_numbers("3", "11.2")),
    odi_drop_percent=_maybe(st.sampled_from([3, 4])),
    lowest_spo2_percent=_maybe(_numbers("78", "88.5")),
    t90_percent=_maybe(_numbers("0", "6.4", "11.4", "30")),
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
    PhysicianDecision,
    source=st.just(_NO_SOURCE),
    moment=_moments(20, -3),
    choice=st.sampled_from(PhysicianChoice),
    own_reading=_maybe(st.sampled_from(OwnReading)),
    responsible=_maybe(st.sampled_from(Office)),
    start_by=_maybe(_days(5, -20)),
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
    "red_flag_closures": (_CLOSURE, 2),
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
    began = draw(st.sampled_from([50, 50, 50, 100]))  # twelve weeks are up in some
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
        check_ins.append(CheckIn(_NO_SOURCE, Moment(ago(began + 5)), epworth_total=before))
    delivered = replace(draw(_APPLIANCE), delivered_on=ago(began), ended_on=None)
    tested = SleepTest(
        _NO_SOURCE, ago(began + 30), TestPurpose.BASELINE, index_name=IndexName.AHI, index_per_hour=Decimal("22.5")
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
