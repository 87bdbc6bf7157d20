"""Treatment that is over: nothing is proposed for it, whatever the setting and the symptoms say."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.decision import Party, Readiness, Status, Step
from service.rules.facts import CaseFacts
from service.rules.follow_up import follow_up
from service.rules.kinds import PhysicianChoice, RedFlagKind, ReferralState

from .build import (
    AS_OF,
    DEFAULTS,
    READY,
    ago,
    appliance,
    baseline,
    case,
    choice,
    efficacy,
    projected,
    readiness,
    red_flag,
    referral,
    rows,
    source,
    stage,
    step,
)

STOP = PhysicianChoice.STOP
STOPPED = case(physician_decisions=(choice(2, STOP),))


def in_state(state: ReferralState) -> CaseFacts:
    return replace(READY, referral=referral(state))


TABLE = rows(
    # comment, facts, why, whose move
    (
        "stopped: settled symptoms start nothing",
        STOPPED,
        "the physician stopped treatment on 28 Sep 2026.",
        Party.NOBODY,
    ),
    (
        "declined with a patient to look after",
        in_state(ReferralState.REJECTED),
        "the dental office declined the referral; the physician chooses another way.",
        Party.PHYSICIAN,
    ),
    (
        "given up",
        in_state(ReferralState.FAILED),
        "the dental office could not complete the treatment.",
        Party.PHYSICIAN,
    ),
    ("cancelled", in_state(ReferralState.CANCELLED), "the physician's office cancelled the referral.", Party.NOBODY),
    ("never meant", in_state(ReferralState.ENTERED_IN_ERROR), "the referral was entered in error.", Party.NOBODY),
)


@pytest.mark.parametrize(("facts", "why", "mover"), TABLE)
def test_no_test_and_no_step_once_treatment_is_over(facts: CaseFacts, why: str, mover: Party):
    ready, taken = readiness(facts), step(facts)
    stopped = bool(facts.physician_decisions)
    outcome = Readiness.DECIDED if stopped else Readiness.NOT_YET
    assert (ready.outcome, ready.whose_move, ready.earliest, ready.urgent) == (outcome, mover, None, False)
    assert ready.sentence.lower() == (why if stopped else f"not ready for an efficacy test: {why}").lower()
    assert (taken.outcome, taken.whose_move) == (Step.HOLD, mover)
    assert taken.sentence == f"No change of setting: {why}"
    assert (stage(facts).name, stage(facts).whose_move) == ("closed", mover)


@pytest.mark.parametrize(("facts", "why", "mover"), TABLE)
def test_the_reason_stands_before_the_nine_and_names_what_would_change_it(facts: CaseFacts, why: str, mover: Party):
    first, *nine = readiness(facts).criteria
    assert [c.name for c in nine] == [c.name for c in readiness(READY).criteria] and len(nine) == 9
    assert (first.name, first.status, first.caution) == ("treatment-goes-on", Status.UNMET, False)
    assert (first.title, first.needs) == ("Treatment goes on", "the physician takes treatment up again")
    assert first.sentence.lower() == why.lower()
    assert first in step(facts).criteria


@pytest.mark.parametrize(("facts", "why", "mover"), TABLE)
def test_nothing_is_planned_for_it(facts: CaseFacts, why: str, mover: Party):
    plan, followed = projected(facts), follow_up(facts, DEFAULTS, AS_OF)
    assert plan is not None and plan.steps == ()
    assert followed is not None and followed.visits == ()


@pytest.mark.parametrize("state", [s for s in ReferralState if s not in (
    ReferralState.REJECTED, ReferralState.CANCELLED, ReferralState.FAILED, ReferralState.ENTERED_IN_ERROR)])  # fmt: skip
def test_any_other_state_of_the_referral_leaves_the_case_ready(state: ReferralState):
    """Also on hold and completed: the patient wears the appliance, and the physician orders the test."""
    assert readiness(in_state(state)).outcome == Readiness.READY


def test_a_case_without_a_referral_is_not_over():
    assert readiness(case(referral=None)).outcome == Readiness.READY
    assert readiness(case(referral=None, physician_decisions=(choice(2, STOP),))).whose_move == Party.NOBODY


def test_it_names_the_resource_that_tells_it():
    assert readiness(STOPPED).criteria[0].inputs == (source("decision-2-stop-treatment"),)
    cancelled = referral(ReferralState.CANCELLED)
    assert readiness(replace(READY, referral=cancelled)).criteria[0].inputs == (cancelled.source,)
    told = replace(cancelled, told_in=(("state", source("task")), ("pap_history", source("pap"))))
    assert readiness(replace(READY, referral=told)).criteria[0].inputs == (source("task"),)


def test_the_referral_that_ended_is_told_before_the_stop():
    both = replace(STOPPED, referral=referral(ReferralState.FAILED))
    assert "could not complete" in readiness(both).sentence
    assert len([c for c in readiness(both).criteria if c.name == "treatment-goes-on"]) == 1


def test_a_red_flag_goes_before_the_end():
    """A locked jaw under an appliance that should no longer be worn is looked at all the same."""
    flagged = replace(STOPPED, red_flags=(red_flag(RedFlagKind.LOCKED_JAW),))
    assert (readiness(flagged).outcome, readiness(flagged).urgent) == (Readiness.STOP_AND_REVIEW, True)


def test_taken_up_again():
    """By a new appliance or another test after the stop, and before the stop was decided."""
    assert readiness(STOPPED, ago(3)).outcome == Readiness.READY
    again = case(physician_decisions=(choice(61, STOP),))
    assert readiness(again).outcome == Readiness.READY
    same_day = case(physician_decisions=(choice(60, STOP),), appliances=(appliance(60),))
    assert readiness(same_day).outcome == Readiness.DECIDED
    tested = case(physician_decisions=(choice(30, STOP),), sleep_tests=(baseline(), efficacy(25, at="1")))
    assert (readiness(tested).outcome, readiness(tested).whose_move) == (Readiness.RESULT_IN, Party.PHYSICIAN)
