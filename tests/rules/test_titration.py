"""Every branch of the next titration step."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.decision import Party, Step
from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice, RedFlagKind
from service.rules.titration import next_step

from .build import (
    DEFAULTS,
    READY,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    choice,
    efficacy,
    good_check_in,
    order,
    readiness,
    red_flag,
    rows,
    setting,
    side_effect,
    step,
)


def unsettled(days_ago=1, **changes):
    return good_check_in(days_ago, **({"snoring": "6"} | changes))


def titrating(onset=8, at="1", *check_ins, **more) -> CaseFacts:
    """One week at a setting after a smaller one, symptoms not settled unless told otherwise."""
    return case(settings=(setting(onset + 10, "0"), setting(onset, at)), check_ins=check_ins or (unsettled(),), **more)


NO_STEP = rows(
    ("no facts", CaseFacts()),
    ("no appliance", case(appliances=())),
    ("no setting", case(settings=())),
    ("setting of tomorrow", case(settings=(setting(-1, "1"),))),
)


@pytest.mark.parametrize("facts", NO_STEP)
def test_no_step_before_an_appliance_and_a_setting(facts):
    assert next_step(facts, DEFAULTS, readiness(facts)) is None


STEPS = rows(
    ("unsettled, a week, worn: one step", titrating(), Step.ADVANCE, Party.PATIENT),
    ("ready: the test is requested", READY, Step.REQUEST_TEST, Party.PHYSICIAN),
    (
        "ready at the limit: the test is requested",
        titrating(21, "2", unsettled(14), unsettled(7), appliances=(appliance(maximum_advance_mm="2"),)),
        Step.REQUEST_TEST,
        Party.PHYSICIAN,
    ),
    (
        "locked jaw: the dentist reviews",
        titrating(red_flags=(red_flag(RedFlagKind.LOCKED_JAW),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "drowsy driving: the physician reviews",
        titrating(red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING),)),
        Step.PHYSICIAN_REVIEW,
        Party.PHYSICIAN,
    ),
    ("appliance out of use", titrating(appliances=(appliance(ended=1),)), Step.DENTIST_REVIEW, Party.DENTIST),
    (
        "sides uneven",
        case(settings=(setting(8, "1", "2"),), check_ins=(unsettled(),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "sides differ on purpose",
        case(settings=(setting(8, "1", "2", difference_intended=True),), check_ins=(unsettled(),)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    (
        "tested, the physician has not decided",
        case(sleep_tests=(baseline(), efficacy(3))),
        Step.PHYSICIAN_REVIEW,
        Party.PHYSICIAN,
    ),
    ("grade 1: twice the days, 13 of 14", titrating(13, side_effects=(side_effect(1, 3),)), Step.HOLD, Party.PATIENT),
    ("grade 1: 14 days", titrating(14, side_effects=(side_effect(1, 3),)), Step.ADVANCE, Party.PATIENT),
    ("grade 2 from before the step: hold", titrating(side_effects=(side_effect(2, 9),)), Step.HOLD, Party.DENTIST),
    ("grade 2 since the step, 3 days: hold", titrating(side_effects=(side_effect(2, 3),)), Step.HOLD, Party.DENTIST),
    ("grade 2 since the step, 4 days", titrating(side_effects=(side_effect(2, 4),)), Step.STEP_BACK, Party.DENTIST),
    ("grade 2 from the day of the step", titrating(side_effects=(side_effect(2, 8),)), Step.STEP_BACK, Party.DENTIST),
    ("grade 2 over for 6 days", titrating(side_effects=(side_effect(2, 8, ended=6),)), Step.HOLD, Party.PATIENT),
    ("grade 2 over for 7 days", titrating(side_effects=(side_effect(2, 8, ended=7),)), Step.ADVANCE, Party.PATIENT),
    (
        "grade 3 today: the appliance stays out",
        titrating(side_effects=(side_effect(3, 0),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    ("grade 3 from before the step", titrating(side_effects=(side_effect(3, 15),)), Step.DENTIST_REVIEW, Party.DENTIST),
    (
        "grade 2 since a step to the starting position: nothing to take back",
        case(
            settings=(setting(18, "0.5"), setting(8, "0", reason="sore")),
            check_ins=(unsettled(),),
            side_effects=(side_effect(2, 5),),
        ),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "grade 2 at the first setting is not from a step",
        case(settings=(setting(8, "1"),), check_ins=(unsettled(),), side_effects=(side_effect(2, 6),)),
        Step.HOLD,
        Party.DENTIST,
    ),
    (
        "grade 3 after the test comes before its review",
        case(sleep_tests=(baseline(), efficacy(5)), side_effects=(side_effect(3, 1),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    ("no check-in since the step", titrating(8, "1", unsettled(9)), Step.HOLD, Party.PATIENT),
    ("settled: hold and count the days", titrating(8, "1", good_check_in(1)), Step.HOLD, Party.PATIENT),
    (
        "snoring exactly 3 and rested 7 are settled",
        titrating(8, "1", good_check_in(1, snoring="3", restedness="7")),
        Step.HOLD,
        Party.PATIENT,
    ),
    ("snoring 3.1", titrating(8, "1", unsettled(snoring="3.1")), Step.ADVANCE, Party.PATIENT),
    ("restedness 6.9", titrating(8, "1", good_check_in(1, restedness="6.9")), Step.ADVANCE, Party.PATIENT),
    ("Epworth 10", titrating(8, "1", good_check_in(1, epworth_total=10)), Step.HOLD, Party.PATIENT),
    ("Epworth 11", titrating(8, "1", good_check_in(1, epworth_total=11)), Step.ADVANCE, Party.PATIENT),
    (
        "Epworth 8, 2 above the one before treatment: not above 8",
        titrating(8, "1", check_in(70, epworth_total=6), good_check_in(1, epworth_total=8)),
        Step.HOLD,
        Party.PATIENT,
    ),
    (
        "Epworth 9, 2 above the one before treatment: asked before a step",
        titrating(8, "1", check_in(70, epworth_total=7), good_check_in(1, epworth_total=9)),
        Step.HOLD,
        Party.DENTIST,
    ),
    (
        "Epworth 9, 1 above it, and loud",
        titrating(8, "1", check_in(70, epworth_total=8), unsettled(epworth_total=9)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    ("pauses witnessed", titrating(8, "1", good_check_in(1, witnessed_pauses=True)), Step.ADVANCE, Party.PATIENT),
    (
        "the last check-in counts: settled since",
        titrating(8, "1", unsettled(4), good_check_in(1)),
        Step.HOLD,
        Party.PATIENT,
    ),
    (
        "the last check-in tells of wear only: the symptoms told before it stand",
        titrating(8, "1", unsettled(4), check_in(1, nights_reported=3, nights_worn=3)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    ("6 days at the setting", titrating(6), Step.HOLD, Party.PATIENT),
    ("7 days at the setting", titrating(7), Step.ADVANCE, Party.PATIENT),
    ("worn 3 of 7 nights", titrating(8, "1", unsettled(nights_worn=3)), Step.HOLD, Party.PATIENT),
    ("worn 4 of 7 nights", titrating(8, "1", unsettled(nights_worn=4)), Step.ADVANCE, Party.PATIENT),
    (
        "worn 8 of 14 nights is 4 of 7",
        titrating(20, "1", unsettled(nights_reported=14, nights_worn=8)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    (
        "wear not told",
        titrating(8, "1", unsettled(nights_worn=None)),
        Step.HOLD,
        Party.PATIENT,
    ),
    (
        "symptoms told 28 days ago, wear told since",
        titrating(40, "1", unsettled(28), check_in(1, nights_reported=7, nights_worn=7)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    (
        "symptoms told 29 days ago, wear told since",
        titrating(40, "1", unsettled(29), check_in(1, nights_reported=7, nights_worn=7)),
        Step.HOLD,
        Party.PATIENT,
    ),
    ("wear told 28 days ago says nothing of now", titrating(40, "1", unsettled(28)), Step.HOLD, Party.PATIENT),
    ("check-in 29 days old says nothing of last week", titrating(40, "1", unsettled(29)), Step.HOLD, Party.PATIENT),
    ("standard parts reached", titrating(8, "3"), Step.DENTIST_REVIEW, Party.DENTIST),
    ("beyond standard parts", titrating(8, "3.5"), Step.DENTIST_REVIEW, Party.DENTIST),
    (
        "at the appliance's limit, not yet stable",
        titrating(8, "2", appliances=(appliance(maximum_advance_mm="2"),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "last step taken back for a side effect: not advanced again",
        case(settings=(setting(18, "2"), setting(8, "1", taken_back_for_side_effect=True)), check_ins=(unsettled(),)),
        Step.HOLD,
        Party.PATIENT,
    ),
    (
        "taken back without a reason: not advised again until it is asked",
        case(settings=(setting(18, "2"), setting(8, "1")), check_ins=(unsettled(),)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "taken back, and the reason told",
        case(settings=(setting(18, "2"), setting(8, "1", reason="travel")), check_ins=(unsettled(),)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    ("an order freezes the setting", titrating(test_orders=(order(2),)), Step.HOLD, Party.SLEEP_LAB),
    (
        "twelve weeks since the delivery: the physician is asked",
        titrating(appliances=(appliance(84),)),
        Step.PHYSICIAN_REVIEW,
        Party.PHYSICIAN,
    ),
    ("a day before it", titrating(appliances=(appliance(83),)), Step.ADVANCE, Party.PATIENT),
    (
        "two reporters far apart: asked first",
        titrating(
            8,
            "1",
            unsettled(restedness="8"),
            replace(unsettled(name="partner", restedness="6"), reported_by="bed-partner"),
        ),
        Step.HOLD,
        Party.DENTIST,
    ),
)


@pytest.mark.parametrize(("facts", "outcome", "mover"), STEPS)
def test_step(facts, outcome, mover):
    decided = step(facts)
    assert (decided.outcome, decided.whose_move) == (outcome, mover)
    if outcome not in (Step.ADVANCE, Step.STEP_BACK):
        current = max(facts.settings, key=lambda s: s.moment)
        assert (decided.target_left_mm, decided.target_right_mm) == current.pair
    assert decided.urgent == bool(facts.red_flags or any(e.grade == 3 for e in facts.side_effects))


HOLDS = rows(
    ("until the week is over", titrating(6), -1, "Hold this setting until 1 Oct 2026: a setting is kept for 7 days"),
    ("until the setting is stable", titrating(8, "1", good_check_in(1)), -6, "counts as stable from 6 Oct 2026."),
    (
        "stable already, check-ins wanting",
        titrating(20, "1", good_check_in(1)),
        6,
        "has counted as stable since 24 Sep",
    ),
    ("check-in to come", titrating(3, "1", unsettled(9)), -4, "one is due on 4 Oct 2026."),
    ("check-in overdue", titrating(9, "1", unsettled(19)), 2, "one was due on 28 Sep 2026."),
    (
        "check-ins that tell of wear alone: a week after the last of them",
        titrating(9, "1", *(check_in(d, nights_reported=2, nights_worn=2) for d in (7, 5, 3))),
        -4,
        "one is due on 4 Oct 2026.",
    ),
    (
        "wear too little",
        titrating(8, "1", unsettled(nights_worn=3)),
        None,
        "worn on 3 of the last 7 nights known; 4 are asked",
    ),
    (
        "side effect: seen by the dentist within 7 days of its onset",
        titrating(side_effects=(side_effect(2, 2),)),
        -5,
        "while jaw pain of grade 2 since 28 Sep 2026",
    ),
    ("quiet", titrating(side_effects=(side_effect(2, 8, ended=6),)), -1, "Hold this setting until 1 Oct 2026"),
    (
        "mild pain",
        titrating(13, side_effects=(side_effect(1, 3),)),
        -1,
        "with jaw pain of grade 1 a setting is kept for 14 days",
    ),
    (
        "a rise in sleepiness is asked about for 14 days at most",
        titrating(10, "1", check_in(70, epworth_total=7), unsettled(5, epworth_total=9)),
        -9,
        "the dental office asks before another step",
    ),
)


@pytest.mark.parametrize(("facts", "until", "says"), HOLDS)
def test_a_hold_says_on_what_and_until_when(facts, until, says):
    decided = step(facts)
    assert decided.outcome == Step.HOLD
    assert decided.until == (None if until is None else ago(until))
    assert says in decided.sentence


TESTED = case(sleep_tests=(baseline(), efficacy(5)))

AFTER_THE_TEST = rows(
    ("nothing decided", (), Step.PHYSICIAN_REVIEW, Party.PHYSICIAN),
    ("advance and test again", (choice(3, PhysicianChoice.ADVANCE_AND_RETEST),), Step.ADVANCE, Party.PATIENT),
    ("decided on the day of the test", (choice(5, PhysicianChoice.ADVANCE_AND_RETEST),), Step.ADVANCE, Party.PATIENT),
    (
        "decided before this test, about an earlier one",
        (choice(6, PhysicianChoice.ADVANCE_AND_RETEST),),
        Step.PHYSICIAN_REVIEW,
        Party.PHYSICIAN,
    ),
    ("decided tomorrow", (choice(-1, PhysicianChoice.ADVANCE_AND_RETEST),), Step.PHYSICIAN_REVIEW, Party.PHYSICIAN),
    ("continue", (choice(3, PhysicianChoice.CONTINUE),), Step.HOLD, Party.DENTIST),
    ("stop", (choice(3, PhysicianChoice.STOP),), Step.HOLD, Party.NOBODY),
    ("positional therapy", (choice(3, PhysicianChoice.ADD_POSITIONAL_THERAPY),), Step.HOLD, Party.PHYSICIAN),
    ("another therapy", (choice(3, PhysicianChoice.COMBINE_OR_CHANGE),), Step.HOLD, Party.PHYSICIAN),
    (
        "the last decision counts",
        (choice(4, PhysicianChoice.CONTINUE), choice(2, PhysicianChoice.ADVANCE_AND_RETEST)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
)


@pytest.mark.parametrize(("decisions", "outcome", "mover"), AFTER_THE_TEST)
def test_after_a_test(decisions, outcome, mover):
    decided = step(replace(TESTED, physician_decisions=decisions))
    assert (decided.outcome, decided.whose_move) == (outcome, mover)


def test_the_physician_asks_to_advance_but_a_side_effect_is_open():
    facts = replace(
        TESTED,
        physician_decisions=(choice(3, PhysicianChoice.ADVANCE_AND_RETEST),),
        side_effects=(side_effect(2, 2),),
    )
    assert step(facts).outcome == Step.HOLD


def test_an_advance_after_a_test_says_who_asks_for_it():
    decided = step(replace(TESTED, physician_decisions=(choice(3, PhysicianChoice.ADVANCE_AND_RETEST),)))
    assert decided.sentence == (
        "Advance one step, to 3 mm on both sides: the physician asks for more advancement and another test. "
        "This passes the typical goal of 2 mm."
    )


def test_a_step_lists_what_it_read():
    decided = step(titrating(8, "1", unsettled(nights_worn=3)))
    assert [s.reference for s in decided.inputs] == ["Observation/check-in-1", "Observation/setting-8-1-1"]
    assert "step_nights_of_seven" in {t.name for t in decided.thresholds}
    young = step(titrating(6))
    assert "step_days" in {t.name for t in young.thresholds}
    assert "step_nights_of_seven" not in {t.name for t in young.thresholds}


# A step asks for 4 of the last 7 nights, however many check-ins tell of them (policy of this project).
LAST_WEEK = rows(
    ("one check-in of a night, worn, after a poor week", ((8, 7, 1), (1, 1, 1)), "hold"),
    ("three nights told, all worn, after a poor week", ((4, 7, 0), (1, 3, 3)), "hold"),
    ("a good week, the week before does not count", ((8, 7, 0), (1, 7, 4)), "advance"),
    ("four of seven over two check-ins", ((4, 4, 2), (1, 3, 2)), "advance"),
    ("three of seven over two check-ins", ((4, 4, 1), (1, 3, 2)), "hold"),
    ("only three nights told, two worn: four are asked", ((1, 3, 2),), "hold"),
    ("only four nights told, all worn", ((1, 4, 4),), "advance"),
    ("only three nights told, one worn", ((1, 3, 1),), "hold"),
)


@pytest.mark.parametrize(("reports", "outcome"), LAST_WEEK)
def test_wear_before_a_step_is_that_of_a_week(reports, outcome):
    told = tuple(
        good_check_in(on, snoring="6", nights_reported=nights, nights_worn=worn) for on, nights, worn in reports
    )
    decided = step(case(settings=(setting(20, "1"),), check_ins=told))
    assert decided.outcome == outcome


def test_wear_before_a_step_names_the_check_ins_it_adds_up():
    told = (
        good_check_in(4, snoring="6", nights_reported=4, nights_worn=1),
        good_check_in(1, snoring="6", nights_reported=3, nights_worn=2),
    )
    decided = step(case(settings=(setting(20, "1"),), check_ins=told))
    assert (decided.sentence.id, decided.sentence.values["worn"], decided.sentence.values["known"]) == (
        "step.wear",
        "3",
        7,
    )
    assert {"Observation/check-in-4", "Observation/check-in-1"} <= read_by(decided)
    one = step(case(settings=(setting(20, "1"),), check_ins=told[:1]))
    assert (one.sentence.values["worn"], one.sentence.values["known"]) == ("1", 4)
    assert read_by(one) == {"Observation/check-in-4", "Observation/setting-20-1-1"}


def read_by(decided) -> set[str]:
    return {s.reference for s in decided.inputs}


def test_a_step_names_the_decision_it_follows():
    tested = {"sleep_tests": (baseline(), efficacy(4, "14"))}
    advance = step(case(**tested, physician_decisions=(choice(2, PhysicianChoice.ADVANCE_AND_RETEST),)))
    assert advance.outcome == Step.ADVANCE
    assert {"Observation/decision-2-advance-and-test-again", "Observation/efficacy-4-14"} <= read_by(advance)
    hold = step(case(**tested, physician_decisions=(choice(2, PhysicianChoice.CONTINUE),)))
    assert "Observation/decision-2-continue-treatment" in read_by(hold) and hold.outcome == Step.HOLD
    stopped = step(case(physician_decisions=(choice(2, PhysicianChoice.STOP),)))
    assert "Observation/decision-2-stop-treatment" in read_by(stopped)


def test_a_hold_after_a_step_back_names_what_was_taken_back_and_why():
    back = case(
        settings=(setting(40, "2"), setting(10, "1")),
        side_effects=(side_effect(2, 14, ended=8),),
        check_ins=(good_check_in(2, snoring="6"),),
    )
    decided = step(back)
    assert decided.outcome == Step.HOLD and "taken back for a side effect" in decided.sentence
    assert {"Observation/setting-40-2-2", "Observation/jaw-pain-2-14"} <= read_by(decided)
