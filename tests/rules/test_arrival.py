"""What is refused on arrival, and what a measured value can be at all."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from service.rules import limits
from service.rules.arrival import (
    age_on,
    geometry_questions,
    outside_scope,
    refusals,
    setting_remarks,
    uncounted_check_ins,
    unusual_step,
    why_closure_refused,
    why_setting_refused,
    why_start_refused,
)
from service.rules.course import course_on
from service.rules.facts import RedFlagClosure
from service.rules.kinds import Office, RedFlagKind
from service.rules.source import Moment

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    assessment,
    case,
    check_in,
    dec,
    red_flag,
    rows,
    setting,
    source,
)


# Lengths in mm; the appliance is delivered 60 days before, and the range measured 80 days before, the day of the decision.
def fitted(limit=None, start=None, range_mm=None):
    """A case with an appliance, its limit and start, and a protrusive range."""
    return case(
        appliances=(appliance(60, maximum_advance_mm=limit, starting_position_mm=start),),
        assessments=(assessment(range_mm),) if range_mm else (),
        settings=(),
    )


REFUSED = rows(
    ("no appliance", case(appliances=()), ("9",), "geometry.before-delivery"),
    ("on the day of the delivery", case(appliances=(appliance(21),)), ("1",), None),
    ("the day before the delivery", case(appliances=(appliance(20),)), ("1",), "geometry.before-delivery"),
    ("appliance without a limit", fitted(), ("9",), None),
    ("at the limit", fitted("5"), ("5",), None),
    ("just beyond", fitted("5"), ("5.1",), "geometry.beyond-appliance"),
    ("one side beyond", fitted("5"), ("1", "5.5"), "geometry.beyond-appliance"),
    (
        "by the appliance in use that day",
        case(appliances=(appliance(60, maximum_advance_mm="5"), appliance(10))),
        ("6",),
        "geometry.beyond-appliance",
    ),
    ("all of the range", fitted(start="4", range_mm="10"), ("6",), None),
    ("beyond the range", fitted(start="4", range_mm="10"), ("6.1",), "geometry.beyond-range"),
    ("one side beyond the range", fitted(start="4", range_mm="10"), ("2", "6.1"), "geometry.beyond-range"),
    ("range without a start says nothing", fitted(range_mm="3"), ("6",), None),
)


@pytest.mark.parametrize(("facts", "pair", "refused"), REFUSED)
def test_a_setting_that_cannot_be_is_refused(facts, pair, refused):
    new = setting(21, *pair)
    said = why_setting_refused(facts, new, DEFAULTS)
    assert (said.id if said else None) == refused
    held = replace(facts, settings=(new,))
    assert [r.why.id for r in refusals(held, lambda s: s == new.source, DEFAULTS)] == ([refused] if refused else [])
    assert refusals(held, lambda _: False, DEFAULTS) == []


def test_a_refusal_tells_the_lengths():
    beyond = why_setting_refused(fitted("5"), setting(21, "5.1"), DEFAULTS)
    assert beyond == "5.1 mm is beyond the appliance delivered on 1 Aug 2026, which advances 5 mm at most."
    far = why_setting_refused(fitted(start="4", range_mm="10"), setting(21, "7"), DEFAULTS)
    assert far == "7 mm from a start at 4 mm is 110 % of the protrusive range of 10 mm, which cannot be."


STARTS = rows(
    ("at the end of the range", "10", "10", False),
    ("beyond it", "10.1", "10", True),
    ("range not known", "10.1", None, False),
    ("start not known", None, "10", False),
)


@pytest.mark.parametrize(("start", "range_mm", "refused"), STARTS)
def test_a_start_beyond_the_range_is_refused_whichever_is_told_last(start, range_mm, refused):
    facts = fitted(start=start, range_mm=range_mm)
    for measured in (*facts.appliances, *facts.assessments):
        said = why_start_refused(facts, measured, DEFAULTS)
        assert (said is not None) is refused
    late = replace(facts, assessments=tuple(replace(a, moment=Moment(ago(5))) for a in facts.assessments))
    found = refusals(late, lambda s: s in {a.source for a in late.assessments}, DEFAULTS)
    assert bool(found) is refused


FAR = rows(
    ("75 % of the range", "3.5", []),
    ("more than 75 % is said", "3.6", ["geometry.far"]),
    ("90 %", "5", ["geometry.far"]),
    ("more than 90 % is the dentist's", "5.1", ["geometry.by-dentist"]),
)


@pytest.mark.parametrize(("advance", "said"), FAR)
def test_what_is_said_of_a_setting_far_into_the_range(advance, said):
    found = setting_remarks(fitted(start="4", range_mm="10"), setting(21, advance), DEFAULTS)
    assert [r.id for r in found] == said


QUESTIONS = rows(
    ("a re-measured range", fitted(start="4", range_mm="10"), ("6",), []),
    ("now too short", fitted(start="4", range_mm="9.9"), ("6",), ["geometry.recorded-beyond-range"]),
    ("a limit told late", fitted("5"), ("5.5",), ["geometry.recorded-beyond-appliance"]),
    (
        "both",
        fitted("5", "4", "9"),
        ("5.5",),
        ["geometry.recorded-beyond-appliance", "geometry.recorded-beyond-range"],
    ),
    ("a delivery withdrawn", case(appliances=()), ("1",), ["geometry.recorded-before-delivery"]),
    ("a delivery told as later", case(appliances=(appliance(20),)), ("1",), ["geometry.recorded-before-delivery"]),
)


@pytest.mark.parametrize(("facts", "pair", "asked"), QUESTIONS)
def test_what_makes_a_recorded_setting_impossible_is_the_dentists_question(facts, pair, asked):
    held = replace(facts, settings=(setting(21, *pair),))
    assert [q.id for q in geometry_questions(course_on(held, AS_OF, DEFAULTS), DEFAULTS)] == asked


STEPS = rows(
    ("1 mm", ("1", "2"), {}, False),
    ("1.1 mm", ("1", "2.1"), {}, True),
    ("1.1 mm with a reason", ("1", "2.1"), {"reason": "agreed"}, False),
    ("back by more than 1 mm", ("3", "1"), {}, False),
)


@pytest.mark.parametrize(("pair", "more", "asked"), STEPS)
def test_a_step_of_more_than_1_mm_wants_a_reason(pair, more, asked):
    facts = case(settings=(setting(30, pair[0]), setting(21, pair[1], **more)))
    said = unusual_step(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)
    assert (said is not None) is asked


def test_a_first_setting_is_no_step():
    assert unusual_step(course_on(case(settings=(setting(21, "3"),)), AS_OF, DEFAULTS), DEFAULTS) is None


NIGHTS = rows(
    ("as many nights as days since the delivery", 13, 7, []),
    ("one more", 13, 8, ["ledger.too-many-nights"]),
    ("on the day of the delivery", 20, 1, ["ledger.before-delivery"]),
    ("before it", 25, 3, ["ledger.before-delivery"]),
    ("28 days ago: still asked", 28, 3, ["ledger.before-delivery"]),
    ("29 days ago: no longer asked", 29, 3, []),
)


@pytest.mark.parametrize(("on", "nights", "asked"), NIGHTS)
def test_reports_that_are_asked_about_and_not_counted(on, nights, asked):
    told = check_in(on, nights_reported=nights, nights_worn=nights)
    facts = case(appliances=(appliance(20),), check_ins=(told,))
    assert [q.id for q in uncounted_check_ins(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)] == asked


DENTIST, PHYSICIAN = Office.DENTIST, Office.PHYSICIAN
CLOSURES = rows(
    *(
        (kind.value, kind, DENTIST)
        for kind in (RedFlagKind.LOCKED_JAW, RedFlagKind.LOOSE_TOOTH, RedFlagKind.BROKEN_APPLIANCE)
    ),
    *(
        (kind.value, kind, PHYSICIAN)
        for kind in (RedFlagKind.DROWSY_DRIVING, RedFlagKind.WORSE_SLEEPINESS, RedFlagKind.WORSE_OXIMETRY)
    ),
)


@pytest.mark.parametrize(("kind", "own"), CLOSURES)
def test_a_red_flag_is_closed_by_its_own_office_alone(kind, own):
    for office in Office:
        closure = RedFlagClosure(source("closure"), Moment(AS_OF), kind, office, "somebody", "seen")
        flag = replace(red_flag(kind, 5, 1), resolved_office=office)
        for closed in (closure, flag):
            said = why_closure_refused(closed)
            assert (said is None) is (office is own)
            if said:
                assert f"closed by the {'dental' if own is DENTIST else 'physician'}" in said
        refused = refusals(case(red_flag_closures=(closure,)), {closure.source}.__contains__, DEFAULTS)
        assert bool(refused) is (office is not own)
    assert why_closure_refused(red_flag(kind, 5)) is None


AGES = rows(
    ("birthday today", date(2008, 9, 30), 18),
    ("birthday tomorrow", date(2008, 10, 1), 17),
    ("birthday yesterday", date(2008, 9, 29), 18),
    ("later month, earlier day", date(2008, 11, 1), 17),
    ("earlier month, later day", date(2008, 2, 29), 18),
)


@pytest.mark.parametrize(("born", "age"), AGES)
def test_age_and_scope(born, age):
    on = date(2026, 9, 30)
    assert age_on(born, on) == age
    said = outside_scope(born, on, DEFAULTS)
    assert said == (
        None if age >= 18 else "The patient was 17 on 30 Sep 2026; under 18 is outside the scope of this service."
    )


LIMITS = [
    ("INDEX_PER_HOUR", "0", "200", "{events}/h"),
    ("EVENT_COUNT", "0", "4000", "{events}"),
    ("RECORDING_HOURS", "0.1", "24", "h"),
    ("HOURS_IN_TEST", "0", "24", "h"),
    ("NIGHTS_IN_TEST", "1", "31", "d"),
    ("MINUTES_IN_TEST", "0", "1440", "min"),
    ("ODI_DROP_PERCENT", "3", "4", "%"),
    ("SPO2_PERCENT", "20", "100", "%"),
    ("SHARE_PERCENT", "0", "100", "%"),
    ("ADVANCE_MM", "0", "15", "mm"),
    ("RANGE_MM", "0", "25", "mm"),
    ("POSITION_MM", "0", "25", "mm"),
    ("STEP_MM", "0.05", "2", "mm"),
    ("OVERBITE_MM", "-15", "20", "mm"),
    ("TEETH_IN_ARCH", "0", "16", "1"),
    ("SCALE_0_TO_10", "0", "10", "{score}"),
    ("EPWORTH_TOTAL", "0", "24", "{score}"),
    ("NIGHTS", "0", "31", "d"),
    ("RECORDER_NIGHTS", "1", "31", "d"),
    ("HOURS_PER_NIGHT", "0", "16", "h"),
    ("WEIGHT_KG", "20", "400", "kg"),
    ("SIDE_EFFECT_GRADE", "0", "3", "{score}"),
]


@pytest.mark.parametrize(("name", "low", "high", "unit"), LIMITS)
def test_limits_of_plausibility(name, low, high, unit):
    held = getattr(limits, name)
    assert (held.low, held.high, held.unit) == (dec(low), dec(high), unit)
    assert held.why


def test_every_limit_stands_in_the_table():
    assert {n for n, v in vars(limits).items() if isinstance(v, limits.Limit)} == {row[0] for row in LIMITS}
