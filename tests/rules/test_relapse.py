"""Symptoms after a good efficacy test: when they count, what they say, and that the physician has the move."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.decision import Party, Readiness, Step
from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice, ReferralState, Worn
from service.rules.relapse import relapse
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
    efficacy,
    good_check_in,
    readiness,
    referral,
    rows,
    setting,
    side_effect,
    stage,
    step,
)

CONTINUE, RETEST = PhysicianChoice.CONTINUE, PhysicianChoice.ADVANCE_AND_RETEST
SETTLED = (good_check_in(14), good_check_in(12))


CONTINUED = (choice(8, CONTINUE),)


def followed(*after, test=None, decisions=CONTINUED, **more) -> CaseFacts:
    """Ready, tested well ten days ago, the physician continued eight days ago; then these check-ins."""
    tests = (baseline(), test or efficacy(10))
    return case(sleep_tests=tests, physician_decisions=decisions, check_ins=(*SETTLED, *after), **more)


def found(facts):
    return relapse(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)


LOUD = good_check_in(2, snoring="7")

WHEN = rows(
    ("settled", followed(good_check_in(2)), False),
    ("snoring 3 is settled", followed(good_check_in(2, snoring="3")), False),
    ("snoring 3.1", followed(good_check_in(2, snoring="3.1")), True),
    ("restedness 6.9", followed(good_check_in(2, restedness="6.9")), True),
    ("an Epworth of 11", followed(good_check_in(2, epworth_total=11)), True),
    ("pauses seen", followed(good_check_in(2, witnessed_pauses=True)), True),
    ("no check-in since", followed(), False),
    (
        "loud on the day of the test speaks of the night before",
        followed(good_check_in(10, snoring="7"), decisions=()),
        False,
    ),
    ("loud the day after the test", followed(good_check_in(9, snoring="7"), decisions=()), True),
    ("loud before the decision: the physician knew", followed(good_check_in(9, snoring="7")), False),
    ("loud on the day of the decision", followed(good_check_in(8, snoring="7")), True),
    ("loud, then settled again", followed(good_check_in(5, snoring="7"), good_check_in(2)), False),
    ("tells nothing of symptoms", followed(check_in(2, nights_reported=7, nights_worn=7)), False),
    ("one of two on the same day", followed(good_check_in(2, name="a", snoring="7"), good_check_in(2, name="b")), True),
    ("tomorrow", followed(good_check_in(-1, snoring="7")), False),
    ("the physician has not decided", followed(LOUD, decisions=()), True),
    ("the physician asked to advance: symptoms are expected", followed(LOUD, decisions=(choice(8, RETEST),)), False),
    ("asked to advance on the day of the test", followed(LOUD, decisions=(choice(10, RETEST),)), False),
    ("stopped", followed(LOUD, decisions=(choice(8, PhysicianChoice.STOP),)), False),
    ("positional therapy added", followed(LOUD, decisions=(choice(8, PhysicianChoice.ADD_POSITIONAL_THERAPY),)), True),
    ("only the last decision counts", followed(LOUD, decisions=(choice(8, RETEST), choice(7, CONTINUE))), True),
    ("a decision on an earlier test does not", followed(LOUD, decisions=(choice(11, RETEST),)), True),
)


@pytest.mark.parametrize(("facts", "expected"), WHEN)
def test_when_symptoms_count_as_a_relapse(facts, expected):
    assert bool(found(facts)) is expected


APPLIANCE = rows(
    ("tested with the appliance of the day itself", (appliance(60), appliance(10)), True),
    ("a new appliance the day after the test: what it found says nothing of it", (appliance(60), appliance(9)), False),
)


@pytest.mark.parametrize(("appliances", "expected"), APPLIANCE)
def test_a_test_counts_for_the_appliance_in_use(appliances, expected):
    facts = followed(good_check_in(9, snoring="7"), decisions=(), appliances=appliances)
    assert bool(found(facts)) is expected


# A good test: under 5 per hour, or under 10 and at least halved (Sutherland 2015, doi 10.5664/jcsm.4934),
# or the physician continued.
GOOD = rows(
    ("24 to 9.9", efficacy(10, "9.9"), (), True),
    ("24 to 10 is halved, not under 10", efficacy(10, "10"), (), False),
    ("24 to 10, but the physician continues", efficacy(10, "10"), (choice(8, CONTINUE),), True),
    ("24 to 4.9", efficacy(10, "4.9"), (), True),
    ("24 to 20", efficacy(10, "20"), (), False),
    (
        "24 to 20 and positional therapy",
        efficacy(10, "20"),
        (choice(8, PhysicianChoice.ADD_POSITIONAL_THERAPY),),
        False,
    ),
    ("3.9 h", efficacy(10, "4", hours="3.9"), (choice(8, CONTINUE),), False),
    ("without the appliance", efficacy(10, "4", worn=Worn.NO), (choice(8, CONTINUE),), False),
    ("no index", efficacy(10, None), (choice(8, CONTINUE),), False),
)


@pytest.mark.parametrize(("test", "decisions", "expected"), GOOD)
def test_what_makes_a_test_good(test, decisions, expected):
    assert bool(found(followed(LOUD, test=test, decisions=decisions))) is expected


def test_without_a_baseline_only_an_index_under_5_or_the_physician_makes_it_good():
    facts = followed(LOUD, decisions=())
    assert found(replace(facts, sleep_tests=(efficacy(10, "6"),))) is None
    assert found(replace(facts, sleep_tests=(efficacy(10, "5"),))) is None
    under_5 = found(replace(facts, sleep_tests=(efficacy(10, "4.9"),)))
    assert under_5 and {s.reference for s in under_5.inputs} == {
        "Observation/efficacy-10-4.9",
        "Observation/check-in-2",
    }


def test_an_index_just_over_half_is_not_halved():
    facts = followed(LOUD, decisions=())
    assert found(replace(facts, sleep_tests=(baseline(index="10"), efficacy(10, "5.1")))) is None
    assert found(replace(facts, sleep_tests=(baseline(index="10"), efficacy(10, "5")))) is not None


FRESH = rows(("28 days old still speaks", 28, True), ("29 days old", 29, False))


@pytest.mark.parametrize(("age", "expected"), FRESH)
def test_an_old_check_in_no_longer_speaks(age, expected):
    facts = case(
        settings=(setting(80, "2"),),
        sleep_tests=(baseline(), efficacy(40)),
        check_ins=(good_check_in(age, snoring="7"),),
    )
    assert bool(found(facts)) is expected


def test_the_last_of_several_tests_counts():
    tests = (baseline(), efficacy(15, "4"), efficacy(10, "20"))
    assert found(case(sleep_tests=tests, check_ins=(*SETTLED, LOUD))) is None
    tests = (baseline(), efficacy(15, "20"), efficacy(10, "4"))
    again = found(case(sleep_tests=tests, check_ins=(*SETTLED, LOUD)))
    assert again and again.test.test.day == ago(10)


def test_the_sentence_says_what_came_back_since_which_test():
    again = found(followed(good_check_in(2, snoring="7", restedness="3", epworth_total=12, witnessed_pauses=True)))
    assert again and again.sentence == (
        "Symptoms have come back since the good test of 20 Sep 2026 (6 per hour): snoring 7 of 10, an Epworth total of 12 and "
        "witnessed pauses in breathing, told on 28 Sep 2026."
    )
    assert [s.reference.removeprefix("Observation/") for s in again.inputs] == [
        "baseline-120-24",
        "check-in-2",
        "efficacy-10-6",
    ]
    assert [t.name for t in again.thresholds] == [
        "snoring_settled",
        "restedness_settled",
        "epworth_settled",
        "halved_percent",
        "normal_index",
        "low_index",
    ]


def test_symptoms_that_were_never_settled_are_still_there():
    facts = followed(LOUD)
    loud_before = replace(facts, check_ins=(good_check_in(14), good_check_in(12, snoring="7"), LOUD))
    again = found(loud_before)
    assert again and again.sentence.id == "relapse.still"
    assert found(replace(facts, check_ins=(LOUD,))).sentence.id == "relapse.again"  # type: ignore[union-attr]
    loud_on_the_day = replace(facts, check_ins=(good_check_in(14), good_check_in(10, snoring="7"), LOUD))
    assert found(loud_on_the_day).sentence.id == "relapse.still"  # type: ignore[union-attr]


def test_after_a_decision_step_and_stage_lead_back_to_the_physician_and_say_it():
    facts = followed(LOUD)
    ready, decided, line = readiness(facts), step(facts), stage(facts)
    again = found(facts)
    assert again
    assert ready.outcome == Readiness.DECIDED
    assert (decided.outcome, decided.whose_move) == (Step.PHYSICIAN_REVIEW, Party.PHYSICIAN)
    assert (line.name, line.whose_move, line.since) == (StageName.FOLLOW_UP, Party.PHYSICIAN, ago(2))
    for sentence in (decided.sentence, line.why):
        assert again.sentence in sentence
        assert sentence.endswith("The physician reviews them.")
    assert set(again.inputs) <= set(decided.inputs)


def test_a_relapse_after_the_setting_was_changed_since_the_good_test():
    settings = (setting(60, "0"), setting(40, "2"), setting(6, "1"))
    facts = followed(LOUD, test=efficacy(10, at="2"), settings=settings)
    assert readiness(facts).criterion("not-already-tested").status == "met"
    assert step(facts).outcome == Step.PHYSICIAN_REVIEW and "have come back" in step(facts).sentence
    assert stage(facts).whose_move == Party.PHYSICIAN


def test_an_undecided_test_goes_before_one_unsettled_check_in():
    # At a new setting one check-in does not yet make snoring unmet; the relapse is found all the same.
    settings = (setting(60, "0"), setting(40, "2"), setting(21, "1"))
    tests = (baseline(), efficacy(30, at="2"))
    facts = case(settings=settings, sleep_tests=tests, check_ins=(good_check_in(22), good_check_in(2, snoring="7")))
    ready = readiness(facts)
    assert (ready.outcome, ready.whose_move) == (Readiness.RESULT_IN, Party.PHYSICIAN)
    assert ready.criterion("snoring-settled").status == "unknown"
    again = found(facts)
    assert again and "have come back" in again.sentence


def test_a_relapse_before_the_decision_and_after_a_completed_referral():
    undecided = followed(LOUD, decisions=())
    line = stage(undecided)
    assert (line.name, line.whose_move) == (StageName.TESTED, Party.PHYSICIAN)
    assert line.why.endswith("The physician decides what follows. Back to the physician: symptoms after a good test.")
    assert step(undecided).outcome == Step.PHYSICIAN_REVIEW
    completed = followed(LOUD, referral=referral(ReferralState.COMPLETED))
    assert (stage(completed).name, stage(completed).whose_move) == (StageName.FOLLOW_UP, Party.PHYSICIAN)


def test_a_side_effect_that_stops_wear_is_still_the_dentists_first_step():
    facts = followed(LOUD, side_effects=(side_effect(3, 1),))
    decided = step(facts)
    assert (decided.outcome, decided.whose_move) == (Step.DENTIST_REVIEW, Party.DENTIST)
    assert "Stop wearing the appliance" in decided.sentence
    assert (readiness(facts).outcome, readiness(facts).whose_move) == (Readiness.STOP_AND_REVIEW, Party.DENTIST)
    assert "Back to the physician: symptoms after a good test." in stage(facts).why


def test_a_site_limit_of_snoring_moves_the_relapse():
    site = DEFAULTS.with_values({"snoring_settled": Decimal(5)})
    facts = followed(good_check_in(2, snoring="5"))
    assert relapse(course_on(facts, AS_OF, DEFAULTS), site) is None
    assert relapse(course_on(facts, AS_OF, DEFAULTS), DEFAULTS) is not None
