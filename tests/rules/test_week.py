"""The week of a patient: on every case the acts exclude one another never, and the urgent sentences come first."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings

from service.rules.case_view import CaseView, view_case
from service.rules.decision import Party, Readiness, Step
from service.rules.facts import CaseFacts
from service.rules.kinds import OwnReading, PhysicianChoice, RedFlagKind, ReferralState
from service.rules.red_flags import DO_NOT_WEAR
from service.rules.site import Site
from service.rules.week import SettingChange, Wear, Week, this_week
from tests.short_run import times

from .build import (
    AS_OF,
    DEFAULTS,
    appliance,
    baseline,
    case,
    choice,
    efficacy,
    good_check_in,
    order,
    red_flag,
    referral,
    setting,
    side_effect,
)
from .cases import as_of_days, cases

many = settings(max_examples=times(500, 60), deadline=None, suppress_health_check=list(HealthCheck))
WEARS = {"patient.wear", "patient.wear-same", "patient.keep-for-test"}
KEEPS = {"patient.keep", "patient.keep-for-test"}
ROUTINE = {
    "Morning routine",
    "Jaw exercises",
    "Side sleeping",
    "Cleaning",
    "Getting used to the appliance",
    "Efficacy test",
}
FIRST = ("patient.no-driving", "patient.stop", "patient.dentist-today", "patient.doctor-today")


def week_of(view: CaseView) -> Week | None:
    return this_week(view.course, view.stage, view.step, DEFAULTS) if view.step else None


def seen(facts: CaseFacts) -> tuple[CaseView, Week, list[str]]:
    view = view_case(facts, Site(), AS_OF)
    week = week_of(view)
    assert week
    return view, week, [s.id for s in week.sentences]


def check(view: CaseView) -> Week | None:
    """What holds for every case that has an appliance and a setting."""
    week = week_of(view)
    if week is None or view.step is None:
        return None
    ids, titles = [s.id for s in week.sentences], {a.title for a in view.activities}
    course = view.course
    must_stop = bool(course.grade_three) or any(f.kind in DO_NOT_WEAR for f in course.flags)
    assert (week.wear is Wear.STOP) == must_stop == ("patient.stop" in ids)
    assert len(ids) == len(set(ids))
    assert not ("patient.advance" in ids and KEEPS & set(ids))
    if week.wear is Wear.STOP:
        assert week.change is SettingChange.NOTHING
        assert not (WEARS | KEEPS | {"patient.advance"}) & set(ids)
        assert not ROUTINE & titles
        said = " ".join(a.instruction for a in view.activities)
        assert "Wear it every night" not in said and "night of the test" not in said
    elif course.out_of_use:
        assert week.wear is Wear.NOTHING and week.change is SettingChange.NOTHING
        assert not (WEARS | KEEPS | {"patient.advance"}) & set(ids) and not ROUTINE & titles
    else:
        assert WEARS & set(ids)
        assert ("patient.advance" in ids) == (week.change is SettingChange.ADVANCE)
        assert ("patient.advance" in ids) != bool(KEEPS & set(ids))
    assert (week.change is SettingChange.ADVANCE) == (view.step.outcome == Step.ADVANCE and not must_stop)
    if view.readiness.outcome in (Readiness.ORDERED, Readiness.STOP_AND_REVIEW):
        assert week.change is not SettingChange.ADVANCE and "patient.advance" not in ids
    drives_not = any(f.kind is RedFlagKind.DROWSY_DRIVING for f in course.flags)
    assert week.drives_not == drives_not == ("patient.no-driving" in ids)
    urgent = [i for i in ids if i in FIRST]
    assert urgent == [i for i in FIRST if i in ids] == ids[: len(urgent)]
    assert ("patient.no-test-yet" in ids) <= (week.wear is Wear.STOP)
    return week


@pytest.mark.at_length
@many
@given(cases(), as_of_days())
def test_no_two_acts_of_a_week_exclude_each_other(facts, as_of):
    check(view_case(facts, Site(), as_of))


@pytest.mark.long
def test_the_generated_weeks_reach_every_act():
    found: Counter[object] = Counter()

    @settings(max_examples=500, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(cases(), as_of_days())
    def count(facts, as_of):
        week = check(view_case(facts, Site(), as_of))
        if week:
            found.update([week.wear, week.change, week.drives_not])

    count()
    assert {*Wear, *SettingChange, True, False} <= set(found), found


ORDER = (order(5),)
LOUD = {"settings": (setting(40, "0"), setting(8, "1")), "check_ins": (good_check_in(1, snoring="7"),)}


def test_worked_example_of_one_bad_day():
    """Severe pain, drowsy driving and an open order: do not drive, stop wearing it, both offices today, no test yet."""
    flags = (red_flag(RedFlagKind.DROWSY_DRIVING, 0),)
    view, week, ids = seen(case(side_effects=(side_effect(3, 0),), red_flags=flags, test_orders=ORDER))
    assert ids[:5] == [*FIRST, "patient.no-test-yet"]
    assert week.call == ("dentist", "physician")
    asked = [q.sentence.id for q in view.questions if q.party is Party.PHYSICIAN]
    assert asked == ["stop.untreated", "ready.ordered-still"]
    assert "Efficacy test" not in {a.title for a in view.activities}


def test_a_locked_jaw_postpones_an_ordered_test():
    view, week, ids = seen(case(red_flags=(red_flag(RedFlagKind.LOCKED_JAW, 0),), test_orders=ORDER))
    assert "patient.no-test-yet" in ids and week.wear is Wear.STOP
    assert "ready.ordered-still" in {q.sentence.id for q in view.questions}
    view, _, ids = seen(case(test_orders=ORDER))
    assert "patient.no-test-yet" not in ids
    assert "ready.ordered-still" not in {q.sentence.id for q in view.questions}


def test_without_the_urgent_it_is_the_week_of_titration():
    _, week, ids = seen(case(**LOUD))
    assert (week.wear, week.change) == (Wear.WEAR, SettingChange.ADVANCE)
    assert ids == ["patient.advance", "patient.wear", "patient.check-in", "patient.dentist-first"]


def test_an_order_freezes_the_setting():
    _, week, ids = seen(case(**LOUD, test_orders=ORDER))
    assert week.change is SettingChange.KEEP and ids[0] == "patient.keep-for-test"


def test_worse_sleepiness_is_worn_on_and_not_driven_when_sleepy():
    _, week, ids = seen(case(red_flags=(red_flag(RedFlagKind.WORSE_SLEEPINESS, 0),)))
    assert week.wear is Wear.WEAR and not week.drives_not
    assert ids[0] == "patient.doctor-soon" and "patient.sleepy" in ids


def test_a_locked_jaw_beside_drowsy_driving_is_each_offices_own_act():
    both = (red_flag(RedFlagKind.LOCKED_JAW, 0), red_flag(RedFlagKind.DROWSY_DRIVING, 0))
    _, week, ids = seen(case(red_flags=both))
    assert ids[:4] == list(FIRST) and week.call == ("dentist", "physician")


def test_before_a_first_setting_the_urgent_is_told_all_the_same():
    """A locked jaw the day after delivery, before any setting is on record: the appliance stays out, the office is called."""
    facts = case(
        appliances=(appliance(1),), settings=(), check_ins=(), red_flags=(red_flag(RedFlagKind.LOCKED_JAW, 0),)
    )
    view = view_case(facts, Site(), AS_OF)
    assert view.step is None
    told = next(a for a in view.activities if a.title == "This week")
    assert told.instruction.startswith("Stop wearing the appliance.") and "dentist" in told.call
    assert "Morning routine" not in {a.title for a in view.activities}


def test_an_appliance_out_of_use_is_not_to_be_worn():
    view, week, ids = seen(case(appliances=(appliance(60, ended=3),)))
    assert (week.wear, week.change) == (Wear.NOTHING, SettingChange.NOTHING)
    assert not (WEARS | KEEPS) & set(ids) and not ROUTINE & {a.title for a in view.activities}


def test_no_step_while_the_referral_is_on_hold_or_complete():
    for state in (ReferralState.ON_HOLD, ReferralState.COMPLETED):
        view, week, ids = seen(case(**LOUD, referral=referral(state)))
        assert view.step and view.step.outcome == Step.HOLD and view.step.whose_move is Party.DENTIST
        assert week.change is SettingChange.KEEP and "patient.advance" not in ids


def test_an_alarm_of_today_calls_the_doctor_also_beside_the_dentists_flag():
    """Oxygen for the same day and a loose tooth: both offices are called today."""
    low = (baseline(), efficacy(0, "4", t90_percent=Decimal(35)))
    for flags in ((), (red_flag(RedFlagKind.LOOSE_TOOTH, 0),)):
        _, week, ids = seen(case(sleep_tests=low, red_flags=flags))
        assert "patient.doctor-today" in ids and "physician" in week.call
        assert ("patient.dentist-today" in ids) == bool(flags)


def test_no_continue_while_an_earlier_alarm_waits():
    tests = (baseline(), efficacy(10, "4", t90_percent=Decimal(35)), efficacy(3, "3", t90_percent=Decimal(1)))
    view = view_case(case(sleep_tests=tests), Site(), AS_OF)
    onward = {PhysicianChoice.CONTINUE.value, PhysicianChoice.ADVANCE_AND_RETEST.value}
    assert view.response and not onward & {s.act for s in view.response.suggestions}
    unread = choice(9, PhysicianChoice.KEEP_TITRATING)
    read = replace(unread, own_reading=OwnReading.COMPLETE)
    view = view_case(case(sleep_tests=tests, physician_decisions=(unread,)), Site(), AS_OF)
    assert view.response and not onward & {s.act for s in view.response.suggestions}
    answered = case(sleep_tests=tests, physician_decisions=(read,))
    view = view_case(answered, Site(), AS_OF)
    assert view.response and onward & {s.act for s in view.response.suggestions}
