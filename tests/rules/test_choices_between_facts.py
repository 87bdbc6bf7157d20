"""Which of several facts counts: ties, replaced appliances, the further side, the last of several tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.decision import Step
from service.rules.kinds import PhysicianChoice, RedFlagKind
from service.rules.room import at_limit, percent_of_range, room_mm, taken_back_for_side_effect
from service.rules.source import Source
from service.rules.stage import StageName

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    assessment,
    baseline,
    case,
    check_in,
    choice,
    criterion,
    efficacy,
    good_check_in,
    order,
    red_flag,
    rows,
    setting,
    side_effect,
    stage,
    step,
)


def course(**changes):
    return course_on(case(**changes), AS_OF, DEFAULTS)


def last_test(tests):
    """The last efficacy test, without anything read into it from another index."""
    result = course(sleep_tests=tests).result
    assert result
    return result.test


def other(fact, **changes):
    """Another record of the same moment."""
    return replace(fact, source=Source("Observation/other", 1), **changes)


@pytest.mark.parametrize("turned", [False, True])
def test_of_two_facts_of_one_moment_the_more_cautious_counts(turned):
    def pair(first, second):
        return (second, first) if turned else (first, second)

    wide, narrow = assessment("12"), other(assessment("9"))
    assert course(assessments=pair(wide, narrow)).assessment == narrow
    assert course(assessments=pair(narrow, other(narrow, protrusive_range_mm=None))).assessment == narrow
    far, near = appliance(maximum_advance_mm="6"), other(appliance(maximum_advance_mm="4"))
    assert course(appliances=pair(far, near)).appliance == near
    assert course(appliances=pair(near, other(near, maximum_advance_mm=None))).appliance == near
    low, high = check_in(70, epworth_total=5), other(check_in(70, epworth_total=9))
    assert course(check_ins=pair(low, high)).baseline_epworth == low
    assert course(settings=pair(setting(21, "1"), setting(21, "2"))).setting == setting(21, "2")
    mild, bad = efficacy(3, "6"), efficacy(3, "9")
    assert last_test(pair(mild, bad)) == bad
    blank, low = efficacy(3, None), efficacy(3, "0.5")
    assert last_test(pair(blank, low)) == low
    none_left = efficacy(3, "0")
    assert last_test(pair(other(none_left, index_per_hour=None), none_left)) == none_left
    further_in_all = pair(setting(21, "1", "3"), setting(21, "2", "1"))
    assert course(settings=further_in_all).setting == setting(21, "1", "3")
    still_open, closed = red_flag(RedFlagKind.LOOSE_TOOTH, 5), red_flag(RedFlagKind.LOOSE_TOOTH, 5, 2)
    assert [f.sources for f in course(red_flags=pair(still_open, closed)).flags] == []
    closed_before = red_flag(RedFlagKind.LOOSE_TOOTH, 8, 6)
    assert [f.sources for f in course(red_flags=pair(still_open, closed_before)).flags] == [(still_open.source,)]


def test_a_setting_from_before_the_only_delivery_counts_and_before_a_replacement_does_not():
    settings = (setting(62, "1"),)
    assert course(settings=settings).setting == settings[0]
    assert course(settings=settings, appliances=(appliance(60), appliance(20))).setting is None


def test_the_setting_before_is_the_one_just_before_the_run():
    three = (setting(60, "0"), setting(40, "1"), setting(21, "2"))
    assert course(settings=three).previous == three[1]
    assert course(settings=(*three, setting(5, "2"))).previous == three[1]
    assert course(settings=three[:1]).previous is None


@pytest.mark.parametrize("turned", [False, True])
def test_between_appliances_alike_in_all_else_content_decides_and_not_the_source(turned):
    ended, in_use = appliance(60, ended=5), appliance(60)
    first, second = (in_use, ended) if turned else (ended, in_use)
    held = (replace(first, source=Source("Device/a", 1)), replace(second, source=Source("Device/b", 1)))
    chosen = course(appliances=held).appliance
    assert chosen and chosen.ended_on is None


def test_the_epworth_before_treatment_stays_that_of_the_first_appliance():
    check_ins = (check_in(70, epworth_total=12), check_in(40, epworth_total=4))
    assert course(check_ins=check_ins, appliances=(appliance(60), appliance(30))).baseline_epworth == check_ins[0]


def test_the_further_side_and_the_nearer_limit_set_the_room():
    uneven = (setting(21, "1", "2.5", difference_intended=True),)
    assert room_mm(course(settings=uneven, appliances=(appliance(maximum_advance_mm="3"),)), DEFAULTS) == Decimal("0.5")
    both = course(
        appliances=(appliance(maximum_advance_mm="5", starting_position_mm="4"),), assessments=(assessment("10"),)
    )
    assert room_mm(both, DEFAULTS) == Decimal(1)
    assert percent_of_range(both, Decimal(2)) == Decimal(60)
    assert not at_limit(both, DEFAULTS)


TAKEN_BACK = rows(
    ("less on both sides", ("2", "2"), ("1", "1"), True),
    ("less on one side", ("2", "2"), ("2", "1"), True),
    ("as much in all, moved between the sides", ("1", "3"), ("2", "2"), False),
    ("further", ("1", "1"), ("2", "2"), False),
)


@pytest.mark.parametrize(("before", "now", "taken"), TAKEN_BACK)
def test_a_step_is_taken_back_when_less_is_advanced(before, now, taken):
    facts = case(settings=(setting(30, *before), setting(21, *now, taken_back_for_side_effect=True)))
    assert taken_back_for_side_effect(course_on(facts, AS_OF, DEFAULTS), facts, DEFAULTS) is taken


def test_the_first_setting_is_never_a_step_back():
    facts = case(settings=(setting(21, "1", taken_back_for_side_effect=True),))
    assert not taken_back_for_side_effect(course_on(facts, AS_OF, DEFAULTS), facts, DEFAULTS)


def test_two_ways_of_being_sleepy_can_be_settled_at_the_next_check_in():
    both = case(check_ins=(check_in(70, epworth_total=6), good_check_in(3, epworth_total=14, restedness="3")))
    both = replace(both, check_ins=(*both.check_ins, good_check_in(10)))
    item = criterion(both, "sleepiness-settled")
    assert (item.status, item.earliest) == ("unmet", ago(-4))
    tired = (good_check_in(10, restedness="4"), good_check_in(3, epworth_total=8, restedness="3"))
    disagreeing = criterion(case(check_ins=tired), "sleepiness-settled")
    assert (disagreeing.sentence.id, disagreeing.earliest) == ("ready.symptoms-disagree", ago(-4))  # type: ignore[attr-defined]
    one_less_tired = (good_check_in(10, restedness="5"), good_check_in(3, epworth_total=8, restedness="3"))
    assert criterion(case(check_ins=one_less_tired), "sleepiness-settled").status == "met"


def test_one_tired_answer_so_far_leaves_the_date_to_the_epworth():
    tired = case(check_ins=(good_check_in(3, epworth_total=14, restedness="3"),))
    assert criterion(tired, "sleepiness-settled").earliest == ago(-4)
    rested = case(check_ins=(good_check_in(3, epworth_total=14, restedness="7"),))
    assert criterion(rested, "sleepiness-settled").earliest == ago(-4)
    three = DEFAULTS.with_values({"check_ins_needed": Decimal(3)})
    assert criterion(rested, "sleepiness-settled", three).earliest == ago(-4)


def test_of_three_check_ins_the_last_loud_one_sets_the_date():
    three = DEFAULTS.with_values({"check_ins_needed": Decimal(3)})
    facts = case(check_ins=(good_check_in(17, snoring="6"), good_check_in(10, snoring="6"), good_check_in(3)))
    assert criterion(facts, "snoring-settled", three).earliest == ago(-11)


def test_a_half_known_setting_of_the_test_is_taken_as_the_current_one():
    tests = (baseline(), efficacy(3, at="1", setting_right_mm=None))
    assert criterion(case(sleep_tests=tests), "not-already-tested").status == "unmet"


def test_of_two_tests_the_last_asks_for_the_decision():
    tests = (baseline(), efficacy(9), efficacy(3))
    between = (choice(5, PhysicianChoice.ADVANCE_AND_RETEST),)
    assert step(case(sleep_tests=tests, physician_decisions=between)).outcome == Step.PHYSICIAN_REVIEW
    after_both = (choice(2, PhysicianChoice.ADVANCE_AND_RETEST),)
    assert step(case(sleep_tests=tests, physician_decisions=after_both)).outcome == Step.ADVANCE
    # A later test too short to count waits for the physician too, who decides on another.
    short = (baseline(), efficacy(9), efficacy(3, hours="2"))
    waits = step(case(sleep_tests=short, physician_decisions=between))
    assert waits.outcome == Step.PHYSICIAN_REVIEW and "does not count" in waits.sentence


RETEST = PhysicianChoice.ADVANCE_AND_RETEST
ORDERS = rows(
    ("order of the day of the test is spent", (9, 3), (order(3),), StageName.TITRATING),
    ("order between two tests is spent", (9, 3), (order(6),), StageName.TITRATING),
    ("order after the last test", (9, 3), (order(2),), StageName.TEST_ORDERED),
    ("the last of two orders", (9,), (order(10), order(5)), StageName.TEST_ORDERED),
)


@pytest.mark.parametrize(("tested", "orders", "name"), ORDERS)
def test_which_order_is_still_open(tested, orders, name):
    tests = (baseline(), *(efficacy(d) for d in tested))
    facts = case(sleep_tests=tests, test_orders=orders, physician_decisions=(choice(1, RETEST),))
    assert stage(facts).name == name


def test_a_setting_ordered_for_test_before_it_was_stable():
    facts = case(settings=(setting(5, "2"),), test_orders=(order(5), order(4)))
    assert (stage(facts).name, stage(facts).since) == (StageName.TEST_ORDERED, ago(4))


def test_the_physicians_last_decision_counts_also_on_the_day_of_the_test():
    tests = (baseline(), efficacy(4))
    first, last = choice(4, PhysicianChoice.ADD_POSITIONAL_THERAPY), choice(2, PhysicianChoice.CONTINUE)
    assert stage(case(sleep_tests=tests, physician_decisions=(first,))).since == ago(4)
    assert "to continue treatment" in stage(case(sleep_tests=tests, physician_decisions=(last, first))).why


def test_one_side_at_the_start_can_still_be_taken_back():
    uneven = (
        setting(20, "0", "1", difference_intended=True),
        setting(8, "0", "2", difference_intended=True, reason="meant"),
    )
    facts = case(settings=uneven, side_effects=(side_effect(2, 5),))
    decided = step(facts)
    assert (decided.outcome, decided.target_left_mm, decided.target_right_mm) == (Step.STEP_BACK, 0, 1)


def test_the_last_report_of_wear_decides_on_a_step_and_of_two_the_poorer():
    def wears(*nights):
        reports = (good_check_in(d, snoring="6", nights_worn=n, name=f"wear-{i}") for i, (d, n) in enumerate(nights))
        return step(case(settings=(setting(20, "1"),), check_ins=tuple(reports))).outcome

    assert wears((8, 2), (1, 6)) == Step.ADVANCE
    assert wears((8, 6), (1, 2)) == Step.HOLD
    assert wears((1, 6), (1, 2)) == wears((1, 2), (1, 6)) == Step.HOLD


def test_a_check_in_due_today_was_due_and_a_setting_stable_today_has_counted():
    due = case(settings=(setting(7, "1"),), check_ins=())
    assert "one was due on 30 Sep 2026" in step(due).sentence
    settled = case(settings=(setting(14, "1"),), check_ins=(good_check_in(1),))
    assert "has counted as stable since 30 Sep 2026" in step(settled).sentence


def test_a_hold_after_a_step_back_lasts_until_the_setting_is_stable():
    back = (setting(18, "2"), setting(8, "1", taken_back_for_side_effect=True))
    decided = step(case(settings=back, check_ins=(good_check_in(1, snoring="6"),)))
    assert decided.until == ago(8) + timedelta(days=14)
    assert "taken back for a side effect" in decided.sentence
