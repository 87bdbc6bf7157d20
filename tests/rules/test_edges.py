"""Edges of readiness that real cases bring: days that coincide, gaps, steps back, a new appliance, several tests."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party, Readiness, Step
from service.rules.kinds import PhysicianChoice
from service.rules.response import assess_response
from service.rules.stage import StageName

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    choice,
    criterion,
    efficacy,
    good_check_in,
    readiness,
    rows,
    setting,
    side_effect,
    stage,
    step,
)

RETEST = PhysicianChoice.ADVANCE_AND_RETEST


def test_uneven_sides_stop_everything_until_the_dentist_acts():
    uneven = case(settings=(setting(21, "2", "2.5"),))
    decision = readiness(uneven)
    assert (decision.outcome, decision.whose_move) == (Readiness.NOT_YET, Party.DENTIST)
    assert "differ by 0.5 mm" in decision.criterion("setting-stable").sentence
    assert step(uneven).outcome == Step.DENTIST_REVIEW


def test_an_intended_difference_is_ready_like_any_other_setting():
    intended = case(settings=(setting(21, "2", "2.5", difference_intended=True),))
    decision = readiness(intended)
    assert decision.outcome == Readiness.READY
    assert "2 mm left and 2.5 mm right" in decision.sentence


def test_a_difference_evened_out_starts_a_new_run():
    settings = (setting(40, "2", "2.5"), setting(5, "2.5"))
    item = criterion(case(settings=settings), "setting-stable")
    assert (item.status, item.earliest) == ("unmet", ago(-9))


CHANGED_TODAY = rows(
    ("advanced today", (setting(21, "2"), setting(0, "3")), "unmet", -14),
    ("repeated today", (setting(21, "2"), setting(0, "2")), "met", None),
    ("changed and changed back on one day", (setting(21, "2"), setting(9, "3"), setting(9, "2")), "unmet", -5),
)


@pytest.mark.parametrize(("settings", "status", "earliest"), CHANGED_TODAY)
def test_a_setting_changed_on_the_day(settings, status, earliest):
    item = criterion(case(settings=settings), "setting-stable")
    assert item.status == status
    assert item.earliest == (None if earliest is None else ago(earliest))


def test_check_ins_of_the_day_of_a_change_do_not_speak_of_the_new_setting():
    facts = case(settings=(setting(40, "1"), setting(7, "2")), check_ins=(good_check_in(14), good_check_in(7)))
    decision = readiness(facts)
    assert {c.status.value for c in decision.criteria if c.name in ("snoring-settled", "worn-enough")} == {"unknown"}


def test_a_gap_in_check_ins_makes_old_answers_unknown_not_unmet():
    facts = case(settings=(setting(60, "2"),), check_ins=(good_check_in(50), good_check_in(43)))
    decision = readiness(facts)
    assert decision.outcome == Readiness.CANNOT_SAY
    assert decision.criterion("snoring-settled").status == "unknown"
    asked = decision.criterion("snoring-settled").sentence
    assert (asked.id, asked.values["told"], asked.values["wanted"]) == ("ready.answers-too-few", 0, Decimal(2))
    assert decision.whose_move == Party.PATIENT


def test_one_check_in_after_a_gap_does_not_speak_with_the_one_before_the_gap():
    """An answer older than 28 days is untold: how it was seven weeks ago does not stand beside how it is now."""
    facts = case(settings=(setting(60, "2"),), check_ins=(good_check_in(50), good_check_in(1)))
    decision = readiness(facts)
    assert decision.outcome == Readiness.CANNOT_SAY
    assert decision.criterion("snoring-settled").missing == "snoring at 1 more check-in since the current setting"


def test_symptoms_that_disagree_are_not_met_and_say_so():
    facts = case(check_ins=(good_check_in(14), good_check_in(7, epworth_total=15)))
    decision = readiness(facts)
    assert decision.outcome == Readiness.NOT_YET
    item = decision.criterion("sleepiness-settled")
    assert (item.status, item.sentence.id) == ("unmet", "ready.symptoms-disagree")


def test_a_step_back_restarts_the_run_and_holds():
    settings = (setting(40, "2"), setting(10, "1", taken_back_for_side_effect=True))
    facts = case(settings=settings, check_ins=(good_check_in(3, snoring="6"),))
    decision = readiness(facts)
    assert decision.criterion("setting-stable").earliest == ago(-4)
    assert step(facts).outcome == Step.HOLD
    later = case(settings=settings, check_ins=(good_check_in(8, snoring="6"), good_check_in(1, snoring="6")))
    assert readiness(later).outcome == Readiness.NOT_YET
    stable = case(
        settings=(setting(40, "2"), setting(20, "1", taken_back_for_side_effect=True)),
        check_ins=(good_check_in(8, snoring="6"), good_check_in(1, snoring="6")),
    )
    assert readiness(stable).outcome == Readiness.READY_AT_LIMIT


def test_a_new_appliance_mid_case_begins_again():
    facts = case(
        appliances=(appliance(60, ended=10), appliance(10)),
        settings=(setting(40, "2"), setting(10, "0")),
        check_ins=(good_check_in(30), good_check_in(20), good_check_in(3)),
        sleep_tests=(baseline(), efficacy(15)),
    )
    decision = readiness(facts)
    assert decision.criterion("appliance-delivered").status == "met"
    assert decision.criterion("setting-stable").earliest == ago(-4)
    assert decision.criterion("not-already-tested").status == "met"
    assert decision.criterion("snoring-settled").status == "unknown"
    before_its_setting = replace(facts, settings=(setting(40, "2"),))
    assert readiness(before_its_setting).criterion("setting-stable").status == "unknown"


def test_a_side_effect_of_the_old_appliance_stays_open_until_it_is_closed():
    facts = case(
        appliances=(appliance(60, ended=10), appliance(10)),
        settings=(setting(10, "0"),),
        side_effects=(side_effect(2, 30),),
    )
    assert readiness(facts).criterion("tolerated").status == "unmet"


def test_an_efficacy_test_at_an_older_setting_leaves_this_one_untested():
    facts = case(
        settings=(setting(60, "0"), setting(50, "1"), setting(21, "2")),
        sleep_tests=(baseline(), efficacy(30, "12", at="1")),
    )
    assert criterion(facts, "not-already-tested").status == "met"
    # Its result waits all the same; once the physician has decided on it this setting is tested in its own right.
    assert readiness(facts).outcome == Readiness.RESULT_IN
    decided = replace(facts, physician_decisions=(choice(29, PhysicianChoice.KEEP_TITRATING),))
    assert readiness(decided).outcome == Readiness.READY
    assert step(decided).outcome == Step.REQUEST_TEST


def test_the_same_setting_taken_up_again_is_tested_again():
    settings = (setting(60, "2"), setting(40, "1"), setting(21, "2"))
    facts = case(settings=settings, sleep_tests=(baseline(), efficacy(50, "12", at="2")))
    assert readiness(replace(facts, physician_decisions=(choice(45, RETEST),))).outcome == Readiness.READY
    kept = replace(facts, settings=settings[:1], physician_decisions=(choice(45, RETEST),))
    assert readiness(kept).outcome == Readiness.NOT_YET


def test_several_tests_the_last_one_counts_for_response_stage_and_step():
    tests = (baseline(), efficacy(40, "15", at="1"), efficacy(10, "4"), efficacy(4, "7"))
    facts = case(sleep_tests=tests, physician_decisions=(choice(8, PhysicianChoice.CONTINUE),))
    found = assess_response(facts, DEFAULTS, AS_OF)
    assert found and found.efficacy.index_per_hour == Decimal(7)
    assert (stage(facts).name, stage(facts).since) == (StageName.TESTED, ago(4))
    assert step(facts).outcome == Step.PHYSICIAN_REVIEW


def test_two_tests_of_one_day_count_by_the_worse():
    facts = case(sleep_tests=(baseline(), efficacy(4, "4"), efficacy(4, "11")))
    found = assess_response(facts, DEFAULTS, AS_OF)
    assert found and found.efficacy.index_per_hour == Decimal(11)


def test_a_short_test_is_repeated():
    """Under four hours at home the class is withheld: it leaves the setting untested, and the physician decides."""
    facts = case(sleep_tests=(baseline(), efficacy(4, "4", hours="3.9")))
    decision = readiness(facts)
    assert (decision.outcome, decision.whose_move) == (Readiness.RESULT_IN, Party.PHYSICIAN)
    assert (decision.sentence.id, decision.criterion("not-already-tested").status) == ("ready.result-repeat", "met")
    again = replace(facts, physician_decisions=(choice(3, PhysicianChoice.KEEP_TITRATING),))
    assert readiness(again).outcome == Readiness.READY


def test_a_check_in_that_tells_nothing_new_changes_nothing():
    facts = case()
    assert readiness(replace(facts, check_ins=(*facts.check_ins, check_in(1)))).outcome == Readiness.READY
