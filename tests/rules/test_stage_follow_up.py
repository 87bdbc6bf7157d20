"""Nobody is lost between the two offices: visits, triggers and completed referrals in the line on a case."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party, Step
from service.rules.facts import CaseFacts, DentalAssessment, Visit
from service.rules.follow_up import follow_up
from service.rules.kinds import Office, PhysicianChoice, RedFlagKind, ReferralState
from service.rules.response import assess_response
from service.rules.source import Moment
from service.rules.stage import StageName, stage_of
from service.rules.titration import next_step

from .build import (
    AS_OF,
    DEFAULTS,
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
    referral,
    rows,
    setting,
    side_effect,
    source,
    stage,
    step,
)

CONTINUE = PhysicianChoice.CONTINUE
COMPLETED = referral(ReferralState.COMPLETED)
ON_HOLD = referral(ReferralState.ON_HOLD)
HEAVIER = (
    check_in(290, "weighed", weight_kg=Decimal(80)),
    check_in(1, "weighed", weight_kg=Decimal(90)),
)


def seen(office: Office, days_ago: int) -> Visit:
    return Visit(source(f"seen-{office}-{days_ago}"), ago(days_ago), office)


def continued(days_ago: int = 100, **changes) -> CaseFacts:
    """An appliance that works, by a good test and the physician's decision that many days ago."""
    delivered, tested = days_ago + 120, days_ago + 10
    held = {
        "referral": referral(days_ago=delivered + 40),
        "appliances": (appliance(delivered),),
        "settings": (setting(delivered, "0"), setting(tested + 30, "2")),
        "check_ins": (good_check_in(tested + 14), good_check_in(tested + 7)),
        "sleep_tests": (baseline(delivered + 60), efficacy(tested, "3")),
        "physician_decisions": (choice(days_ago, CONTINUE),),
    }
    return CaseFacts(**(held | changes))


HALF_A_YEAR = 183
BOTH_SEEN = (seen(Office.DENTIST, 6), seen(Office.PHYSICIAN, 5))

# Visits about every 6 months in the first year after efficacy is verified, then yearly (policy of AASM and AADSM,
# read in a page quoting it); 14 days of grace: policy of this project.
AFTER_A_GOOD_TEST = rows(
    ("nothing due before half a year", continued(100), Party.NOBODY, 100, "Nothing is due."),
    ("day before the first visits", continued(HALF_A_YEAR - 1), Party.NOBODY, 182, "are due on 1 Oct 2026"),
    ("half a year: both offices are due", continued(HALF_A_YEAR), Party.DENTIST, 0, "are due between 30 Sep"),
    (
        "the dentist has seen the patient, the physician has not",
        continued(HALF_A_YEAR, visits=(seen(Office.DENTIST, 3),)),
        Party.PHYSICIAN,
        0,
        "The visit to the physician is due between",
    ),
    (
        "the physician has seen the patient, the dentist has not",
        continued(HALF_A_YEAR + 20, visits=(seen(Office.PHYSICIAN, 3),)),
        Party.DENTIST,
        20,
        "The visit to the dentist was due on 10 Sep 2026 and is overdue since 24 Sep 2026",
    ),
    ("both seen", continued(HALF_A_YEAR, visits=BOTH_SEEN), Party.NOBODY, HALF_A_YEAR, "The next visits"),
    (
        "nobody came for nearly two years: the first missed visits are named, once",
        continued(700),
        Party.DENTIST,
        700 - HALF_A_YEAR,
        "were due on 1 May 2025",
    ),
    (
        "two years after the good test another is proposed",
        continued(730 - 10),
        Party.PHYSICIAN,
        0,
        "Back to the physician: test with the appliance due.",
    ),
    (
        "the dental office completed the referral: both offices still see the patient",
        continued(100, referral=COMPLETED),
        Party.NOBODY,
        100,
        "the referral is complete. Nothing is due. The next visits to the dentist and the physician are due on",
    ),
    (
        "completed and half a year on",
        continued(HALF_A_YEAR, referral=COMPLETED),
        Party.DENTIST,
        0,
        "are due between",
    ),
    (
        "weight changed by 12.5 %: the appliance may no longer work",
        continued(100, check_ins=HEAVIER),
        Party.PHYSICIAN,
        1,
        "Back to the physician: change of weight.",
    ),
    (
        "the appliance is lost: the patient sleeps untreated, and the dentist is named as well",
        continued(100, appliances=(appliance(220, ended=4),)),
        Party.PHYSICIAN,
        4,
        "Back to the physician: appliance broken or lost. The dental office repairs or replaces the appliance.",
    ),
    (
        "lost, and the physician has seen the patient since: the dentist replaces it",
        continued(100, appliances=(appliance(220, ended=4),), visits=(seen(Office.PHYSICIAN, 2),)),
        Party.DENTIST,
        4,
        "The dental office repairs or replaces the appliance.",
    ),
    (
        "pain that limits treatment is the dentist's, also long after the test",
        continued(100, side_effects=(side_effect(2, 6),)),
        Party.DENTIST,
        6,
        "The dentist treats the jaw pain.",
    ),
    (
        "the bite changes fast",
        continued(
            100,
            assessments=(
                DentalAssessment(source("then"), Moment(ago(400)), overjet_mm=Decimal(4)),
                DentalAssessment(source("now"), Moment(ago(9)), overjet_mm=Decimal(2)),
            ),
        ),
        Party.DENTIST,
        9,
        "The dentist reviews the bite: overjet decreasing fast.",
    ),
    (
        "snoring is back after the good test",
        continued(100, check_ins=(good_check_in(117), good_check_in(3, snoring="7"))),
        Party.PHYSICIAN,
        3,
        "The physician reviews them.",
    ),
)


@pytest.mark.parametrize(("facts", "mover", "since", "said"), AFTER_A_GOOD_TEST)
def test_whose_move_after_a_good_test(facts, mover, since, said):
    found = stage(facts)
    assert (found.name, found.whose_move, found.since) == (StageName.FOLLOW_UP, mover, ago(since)), found.why
    assert said in found.why, found.why
    assert found.why.count("was due on") + found.why.count("were due on") <= 1


def test_what_the_line_says_already_is_not_said_twice():
    back = continued(100, check_ins=(good_check_in(117), good_check_in(3, snoring="7")))
    assert "Back to the physician" not in stage(back).why
    assert stage(continued(HALF_A_YEAR)).why.count("are due between") == 1
    both = replace(back, check_ins=(*back.check_ins, *HEAVIER))
    told = "Back to the physician: symptoms after a good test and change of weight."
    assert stage(both).why.endswith(f"The physician reviews them. {told}")


BROKEN = (red_flag(RedFlagKind.BROKEN_APPLIANCE, 2),)
LOST = (appliance(60, ended=3),)
LIGHTER = (
    good_check_in(14),
    good_check_in(7),
    check_in(55, "weighed", weight_kg=Decimal(90)),
    check_in(2, "weighed", weight_kg=Decimal(80)),
)
LESS_WORN = (good_check_in(50), good_check_in(43), good_check_in(10, nights_worn=5), good_check_in(3, nights_worn=4))
YOUNG = (setting(50, "0"), setting(8, "1"))

# What leads back to the physician is said before the test as well.
DURING_TITRATION = rows(
    (
        "weight changed while titrating",
        case(settings=YOUNG, check_ins=(*LIGHTER[2:], good_check_in(1, snoring="6"))),
        StageName.TITRATING,
        Party.PHYSICIAN,
        2,
        "change of weight",
    ),
    (
        "wear falling",
        case(settings=YOUNG, check_ins=LESS_WORN),
        StageName.TITRATING,
        Party.PHYSICIAN,
        3,
        "wear falling",
    ),
    (
        "the appliance is lost: both offices are told",
        case(appliances=LOST),
        StageName.TITRATING,
        Party.PHYSICIAN,
        3,
        "appliance broken or lost. The dental office repairs or replaces the appliance",
    ),
    (
        "severe pain and a change of weight: first the dentist sees the patient",
        case(settings=YOUNG, check_ins=LIGHTER, side_effects=(side_effect(3, 5),)),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
        5,
        "change of weight. The dentist treats the jaw pain",
    ),
    (
        "ready, and the weight has changed",
        case(check_ins=LIGHTER),
        StageName.READY_FOR_TEST,
        Party.PHYSICIAN,
        7,
        "change of weight",
    ),
    (
        "the test is ordered, and after the order the weight has changed",
        case(check_ins=LIGHTER, test_orders=(order(5),)),
        StageName.TEST_ORDERED,
        Party.PHYSICIAN,
        2,
        "change of weight",
    ),
    (
        "on hold and the appliance lost",
        case(referral=ON_HOLD, appliances=LOST),
        StageName.ON_HOLD,
        Party.PHYSICIAN,
        3,
        "has put the referral on hold. Back to the physician: appliance broken or lost",
    ),
    (
        "on hold and in pain",
        case(referral=ON_HOLD, side_effects=(side_effect(2, 5),), visits=BOTH_SEEN),
        StageName.ON_HOLD,
        Party.DENTIST,
        100,
        "The dentist treats the jaw pain",
    ),
    (
        "on hold and not seen by anybody",
        case(referral=ON_HOLD, appliances=(appliance(50),)),
        StageName.ON_HOLD,
        Party.DENTIST,
        100,
        "are overdue since 24 Sep 2026",
    ),
    (
        "a broken appliance is the dentist's today, and the physician is told",
        case(red_flags=BROKEN),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
        2,
        "Back to the physician: appliance broken or lost",
    ),
    (
        "tested, not decided, and the weight has changed",
        case(check_ins=LIGHTER, sleep_tests=(baseline(), efficacy(6))),
        StageName.TESTED,
        Party.PHYSICIAN,
        6,
        "change of weight",
    ),
)


@pytest.mark.parametrize(("facts", "name", "mover", "since", "said"), DURING_TITRATION)
def test_what_leads_back_is_not_lost_before_the_test(facts, name, mover, since, said):
    found = stage(facts)
    assert (found.name, found.whose_move, found.since) == (name, mover, ago(since)), found.why
    assert said in found.why, found.why


def test_a_side_effect_in_titration_is_said_once_by_the_step():
    facts = case(side_effects=(side_effect(2, 30),))
    assert stage(facts).why == step(facts).sentence


def test_overdue_visits_are_said_in_titration_and_move_nobody():
    facts = case(settings=YOUNG, appliances=(appliance(50),), check_ins=(good_check_in(1, snoring="6"),))
    assert stage(facts).why.startswith(
        f"{step(facts).sentence} The visits to the dentist and the physician were due on"
    )
    assert stage(facts).whose_move == step(facts).whose_move
    seen_by_both = replace(facts, visits=BOTH_SEEN)
    assert stage(seen_by_both).why == step(seen_by_both).sentence


LOUD = (good_check_in(14, snoring="6"), good_check_in(7, snoring="6"))
TESTED = (baseline(), efficacy(9, "12"))
ADVANCE = (choice(8, PhysicianChoice.ADVANCE_AND_RETEST),)

# A completed referral ends the dental office's task, not the patient's need of both offices.
COMPLETED_CASES = rows(
    ("ready and never tested", case(referral=COMPLETED), StageName.READY_FOR_TEST, Party.PHYSICIAN, 7),
    (
        "test ordered",
        case(referral=COMPLETED, test_orders=(order(2),)),
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
        2,
    ),
    (
        "neither ready nor tested: the physician decides",
        case(referral=COMPLETED, check_ins=LOUD),
        StageName.FOLLOW_UP,
        Party.PHYSICIAN,
        100,
    ),
    (
        "severe pain: still the dentist's",
        case(referral=COMPLETED, side_effects=(side_effect(3, 6),)),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
        6,
    ),
    (
        "pain since the last step: still the dentist's",
        case(referral=COMPLETED, side_effects=(side_effect(2, 6),)),
        StageName.TITRATING,
        Party.DENTIST,
        2,
    ),
    (
        "nothing delivered",
        CaseFacts(referral=COMPLETED, sleep_tests=(baseline(),)),
        StageName.CLOSED,
        Party.PHYSICIAN,
        100,
    ),
    (
        "the physician asks for more advancement: the dental office takes it up",
        case(referral=COMPLETED, sleep_tests=TESTED, physician_decisions=ADVANCE, check_ins=LOUD),
        StageName.TITRATING,
        Party.DENTIST,
        8,
    ),
    (
        "stopped",
        case(referral=COMPLETED, sleep_tests=TESTED, physician_decisions=(choice(8, PhysicianChoice.STOP),)),
        StageName.CLOSED,
        Party.NOBODY,
        8,
    ),
)


@pytest.mark.parametrize(("facts", "name", "mover", "since"), COMPLETED_CASES)
def test_a_completed_referral_leaves_nobody_without_an_office(facts, name, mover, since):
    found = stage(facts)
    assert (found.name, found.whose_move, found.since) == (name, mover, ago(since)), found.why


def test_what_is_said_of_a_completed_referral():
    untested = stage(case(referral=COMPLETED, check_ins=LOUD)).why
    assert "no efficacy test is on record; the physician orders one or decides otherwise." in untested
    asked = case(referral=COMPLETED, sleep_tests=TESTED, physician_decisions=ADVANCE, check_ins=LOUD)
    assert "The dental office had completed the referral and takes the case up again." in stage(asked).why
    painful = case(referral=COMPLETED, side_effects=(side_effect(2, 6),))
    assert step(painful).outcome == Step.STEP_BACK and "takes the case up again" in stage(painful).why


RETEST = rows(
    ("ordered after the decision to continue", CONTINUE, 8, 2, StageName.TEST_ORDERED, Party.SLEEP_LAB),
    ("ordered on the day of that decision", CONTINUE, 8, 8, StageName.TEST_ORDERED, Party.SLEEP_LAB),
    (
        "ordered before it and after the test: open until a test",
        CONTINUE,
        4,
        5,
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
    ),
    ("ordered on the day of the test: spent", CONTINUE, 4, 9, StageName.FOLLOW_UP, Party.NOBODY),
    (
        "with positional therapy, tested again",
        PhysicianChoice.ADD_POSITIONAL_THERAPY,
        8,
        2,
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
    ),
)


@pytest.mark.parametrize(("what", "decided", "ordered", "name", "mover"), RETEST)
def test_a_test_ordered_in_follow_up_is_not_lost(what, decided, ordered, name, mover):
    facts = case(
        sleep_tests=(baseline(), efficacy(9, "3")),
        physician_decisions=(choice(decided, what),),
        test_orders=(order(ordered),),
    )
    found = stage(facts)
    assert (found.name, found.whose_move) == (name, mover)
    if name is StageName.TEST_ORDERED:
        assert found.why.startswith("An efficacy test is ordered since") and found.since == ago(ordered)


def test_a_test_ordered_for_symptoms_that_came_back_answers_them_from_the_next_day():
    relapsed = case(
        sleep_tests=(baseline(), efficacy(9, "3")),
        physician_decisions=(choice(8, CONTINUE),),
        check_ins=(good_check_in(14), good_check_in(3, snoring="7")),
    )
    same_day = stage(replace(relapsed, test_orders=(order(3),)))
    assert (same_day.name, same_day.whose_move) == (StageName.TEST_ORDERED, Party.PHYSICIAN)
    assert "Back to the physician: symptoms after a good test" in same_day.why
    later = stage(replace(relapsed, test_orders=(order(2),)))
    assert (later.name, later.whose_move) == (StageName.TEST_ORDERED, Party.SLEEP_LAB)


def test_a_new_appliance_after_the_decision_is_titrated_and_tested_anew():
    again = replace(
        continued(100),
        appliances=(appliance(220, ended=20), appliance(15)),
        settings=(setting(15, "1"),),
        check_ins=(good_check_in(1, snoring="7"),),
    )
    assert (stage(again).name, stage(again).since) == (StageName.TITRATING, ago(15))
    # Symptoms with it say nothing of the good test of the old one.
    assert step(again).outcome == Step.ADVANCE
    unset = replace(again, settings=())
    assert (stage(unset).name, stage(unset).whose_move) == (StageName.TITRATING, Party.DENTIST)
    same_day = replace(continued(100), appliances=(appliance(220, ended=101), appliance(100)))
    assert stage(same_day).name == StageName.FOLLOW_UP


def test_without_the_follow_up_the_line_says_what_is_known():
    def line(facts):
        ready = readiness(facts)
        response = assess_response(facts, DEFAULTS, AS_OF)
        return stage_of(facts, ready, next_step(facts, DEFAULTS, ready), response, None, DEFAULTS)

    assert (line(continued(100)).name, line(continued(100)).whose_move) == (StageName.FOLLOW_UP, Party.DENTIST)
    assert "both offices follow up, the dentist next" in line(continued(100)).why
    done = line(continued(100, referral=COMPLETED))
    assert (done.name, done.whose_move) == (StageName.CLOSED, Party.NOBODY)
    assert line(case(check_ins=LIGHTER)).why == stage(case(visits=BOTH_SEEN)).why


def test_the_day_since_which_an_office_is_asked():
    def asked(facts):
        answer = follow_up(facts, DEFAULTS, AS_OF)
        assert answer and answer.as_data()["since"] == (answer.since.isoformat() if answer.since else None)
        return answer.since

    assert asked(continued(100)) is None
    assert asked(continued(HALF_A_YEAR + 20)) == ago(20)
    two = continued(100, check_ins=HEAVIER, appliances=(appliance(220, ended=4),))
    assert asked(two) == ago(4)
    assert asked(continued(100, side_effects=(side_effect(2, 6, reported=2),))) == ago(6)


def test_a_side_effect_beside_an_ordered_test_asks_still_test_and_is_said_once():
    found = stage(case(side_effects=(side_effect(2, 30),), test_orders=(order(5),)))
    assert (found.name, found.whose_move, found.since) == (StageName.TEST_ORDERED, Party.PHYSICIAN, ago(5))
    assert "still test?" in found.why
    assert found.why.lower().count("the dentist treats the jaw pain") == 1


def test_a_test_without_a_baseline_still_waits_for_the_physician():
    untold = case(sleep_tests=(efficacy(4, "3"),))
    found = stage(untold)
    assert (found.name, found.whose_move, found.since) == (StageName.TESTED, Party.PHYSICIAN, ago(4))
    assert (
        "No baseline test that could be compared with is on record. There is no class; the physician decides."
        in found.why
    )
    decided = stage(replace(untold, physician_decisions=(choice(2, CONTINUE),)))
    assert (decided.name, decided.whose_move) == (StageName.FOLLOW_UP, Party.NOBODY)


STOP = PhysicianChoice.STOP
STOPPED = rows(
    ("before any test", case(physician_decisions=(choice(2, STOP),)), StageName.CLOSED, Party.NOBODY),
    (
        "tested again on a later day",
        case(physician_decisions=(choice(5, STOP),), sleep_tests=(baseline(), efficacy(4))),
        StageName.TESTED,
        Party.PHYSICIAN,
    ),
    (
        "a test of the day is what was decided on",
        case(physician_decisions=(choice(4, STOP),), sleep_tests=(baseline(), efficacy(4))),
        StageName.CLOSED,
        Party.NOBODY,
    ),
    (
        "decided otherwise since",
        case(physician_decisions=(choice(4, STOP), choice(2, CONTINUE)), sleep_tests=(baseline(), efficacy(4))),
        StageName.FOLLOW_UP,
        Party.NOBODY,
    ),
    (
        "a new appliance on a later day",
        case(physician_decisions=(choice(30, STOP),), appliances=(appliance(60), appliance(29)), settings=()),
        StageName.TITRATING,
        Party.DENTIST,
    ),
    (
        "an appliance of the day itself is what was stopped",
        case(physician_decisions=(choice(29, STOP),), appliances=(appliance(60), appliance(29)), settings=()),
        StageName.CLOSED,
        Party.NOBODY,
    ),
    (
        "a locked jaw is looked at all the same",
        case(physician_decisions=(choice(2, STOP),), red_flags=(red_flag(RedFlagKind.LOCKED_JAW),)),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
    ),
)


@pytest.mark.parametrize(("facts", "name", "mover"), STOPPED)
def test_treatment_that_the_physician_stopped(facts, name, mover):
    assert (stage(facts).name, stage(facts).whose_move) == (name, mover)


def test_no_step_is_taken_once_treatment_is_stopped():
    loud = case(physician_decisions=(choice(2, STOP),), settings=(setting(20, "1"),), check_ins=LOUD)
    decided = step(loud)
    assert (decided.outcome, decided.whose_move) == (Step.HOLD, Party.NOBODY)
    assert decided.sentence == "No change of setting: the physician stopped treatment on 28 Sep 2026."


def test_a_decision_on_the_day_of_the_test_is_a_decision_on_it():
    decided = case(sleep_tests=(baseline(), efficacy(4, "3")), physician_decisions=(choice(4, CONTINUE),))
    assert stage(decided).name == StageName.FOLLOW_UP
