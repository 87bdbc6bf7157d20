"""The referral's state of a past day, and the records that tell an appliance's limits."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.rules.decision import Party, Readiness
from service.rules.facts import CaseFacts
from service.rules.kinds import ReferralState
from service.rules.response import assess_response
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

S = ReferralState
HISTORY = (
    (ago(90), S.IN_PROGRESS),
    (ago(95), S.ACCEPTED),
    (ago(97), S.RECEIVED),
    (ago(50), S.ON_HOLD),
    (ago(40), S.IN_PROGRESS),
    (ago(3), S.COMPLETED),
)
STATES = rows(
    ("before the referral was received", 100, S.REQUESTED),
    ("received", 97, S.RECEIVED),
    ("the day before the acceptance", 96, S.RECEIVED),
    ("accepted", 95, S.ACCEPTED),
    ("on hold", 45, S.ON_HOLD),
    ("the day it was resumed", 40, S.IN_PROGRESS),
    ("the day before it was completed", 4, S.IN_PROGRESS),
    ("completed", 3, S.COMPLETED),
    ("today", 0, S.COMPLETED),
)


@pytest.mark.parametrize(("days_ago", "expected"), STATES)
def test_the_state_of_a_past_day(days_ago, expected):
    told = replace(referral(S.COMPLETED), state_since=HISTORY)
    for history in (HISTORY, HISTORY[::-1]):
        assert replace(told, state_since=history).state_on(ago(days_ago)) == expected
    known = CaseFacts(referral=told).known_on(ago(days_ago))
    assert known.referral and known.referral.state == expected


def test_without_a_history_the_present_state_is_that_of_every_day():
    assert {referral(S.ON_HOLD).state_on(ago(d)) for d in (200, 50, 0)} == {S.ON_HOLD}
    assert referral(S.ON_HOLD).entered_on(S.ON_HOLD, AS_OF) == ago(100)
    assert CaseFacts().known_on(AS_OF).referral is None


def test_of_two_states_of_one_day_the_furthest_or_the_present_one_counts():
    same_day = ((ago(9), S.ACCEPTED), (ago(9), S.RECEIVED))
    assert replace(referral(S.ACCEPTED), state_since=same_day).state_on(ago(9)) == S.ACCEPTED
    resumed = ((ago(9), S.ON_HOLD), (ago(9), S.IN_PROGRESS))
    assert replace(referral(S.IN_PROGRESS), state_since=resumed).state_on(ago(9)) == S.IN_PROGRESS
    # In progress again today, but that day it may have been put on hold last.
    later = (*resumed, (ago(5), S.ON_HOLD), (ago(2), S.IN_PROGRESS))
    assert replace(referral(S.IN_PROGRESS), state_since=later).state_on(ago(9)) == S.ON_HOLD
    assert replace(referral(S.IN_PROGRESS), state_since=later).state_on(ago(5)) == S.ON_HOLD


def test_the_stage_of_a_past_day_is_that_of_its_state_and_since_then():
    told = replace(referral(S.COMPLETED), state_since=HISTORY)
    facts = case(referral=told, appliances=(appliance(60),))
    assert [(stage(facts, ago(d)).name) for d in (97, 95, 45)] == [
        StageName.REFERRED,
        StageName.ACCEPTED,
        StageName.ON_HOLD,
    ]
    assert stage(facts, ago(45)).since == ago(50)
    declined = replace(referral(S.REJECTED), state_since=((ago(80), S.REJECTED),))
    facts = CaseFacts(referral=declined)
    assert (stage(facts, ago(81)).name, stage(facts, ago(81)).whose_move) == (StageName.REFERRED, Party.DENTIST)
    assert (stage(facts).name, stage(facts).since) == (StageName.CLOSED, ago(80))
    assert stage(CaseFacts(referral=referral(S.REJECTED))).since == ago(100)


def test_the_last_day_on_which_a_state_was_entered():
    told = replace(referral(S.COMPLETED), state_since=HISTORY)
    assert told.entered_on(S.IN_PROGRESS, AS_OF) == ago(40)
    assert told.entered_on(S.IN_PROGRESS, ago(41)) == ago(90)
    assert told.entered_on(S.IN_PROGRESS, ago(90)) == ago(90)
    assert told.entered_on(S.COMPLETED, AS_OF) == AS_OF - timedelta(days=3)


LIMITS = Source("Device/limits", 3)
LOUD = (good_check_in(14, snoring="6"), good_check_in(7, snoring="6"))


def limited(**lengths) -> CaseFacts:
    held = replace(appliance(60, starting_position_mm="3", **lengths), limit_source=LIMITS)
    return case(appliances=(held,), assessments=(assessment("12"),), check_ins=LOUD)


def test_a_decision_at_the_limit_names_the_record_that_tells_the_limit():
    decision = readiness(limited(maximum_advance_mm="2"))
    assert decision.outcome == Readiness.READY_AT_LIMIT
    read = {s.reference for s in decision.inputs}
    assert {"Device/limits", "Observation/appliance-60", "Observation/assessment-80"} <= read
    assert {"maximum_percent_of_range", "smallest_step_mm"} <= {t.name for t in decision.thresholds}
    assert decision.as_data()["inputs"].count({"reference": "Device/limits", "version": 3}) == 1


def test_not_at_the_limit_is_judged_by_the_limit_as_well():
    decision = readiness(limited(maximum_advance_mm="5"))
    assert decision.outcome == Readiness.NOT_YET and LIMITS in decision.inputs
    advance = step(limited(maximum_advance_mm="5"))
    assert advance.outcome == "advance" and LIMITS in advance.criterion("room-left").inputs
    review = step(limited(maximum_advance_mm="2.1"))
    assert LIMITS in review.inputs or review.outcome == "request-test"


def test_the_limit_is_not_read_where_it_decides_nothing():
    decision = readiness(replace(limited(maximum_advance_mm="2"), check_ins=case().check_ins))
    assert decision.outcome == Readiness.READY and LIMITS not in decision.inputs


def test_without_a_record_of_its_own_the_limit_comes_from_the_delivery():
    held = appliance(60, maximum_advance_mm="2")
    assert held.limits_from == held.source
    facts = case(appliances=(held,), check_ins=LOUD)
    assert [
        s.reference for s in step(case(settings=(setting(21, "1"),), check_ins=LOUD)).criterion("room-left").inputs
    ] == ["Observation/appliance-60"]
    assert readiness(facts).outcome == Readiness.READY_AT_LIMIT


def test_a_step_taken_back_names_the_setting_before_and_the_side_effect():
    back = case(
        settings=(setting(40, "2"), setting(21, "1")),
        side_effects=(side_effect(2, 25, ended=18),),
        check_ins=LOUD,
    )
    decision = readiness(back)
    assert decision.outcome == Readiness.READY_AT_LIMIT
    read = {s.reference for s in decision.inputs}
    assert {"Observation/setting-40-2-2", "Observation/jaw-pain-2-25"} <= read
    assert "side_effect_grade" in {t.name for t in decision.thresholds}


def test_what_a_response_suggests_rests_on_the_limit_too():
    facts = replace(limited(maximum_advance_mm="2"), sleep_tests=(baseline(), efficacy(4, "14")))
    response = assess_response(facts, DEFAULTS, AS_OF)
    assert response and LIMITS in response.inputs
    untold = check_in(3, snoring="1")
    assert untold.source not in response.inputs


def test_each_statement_of_a_referral_names_the_record_that_tells_it():
    order, told, other = Source("ServiceRequest/r", 2), Source("Observation/pap", 1), Source("Condition/c", 4)
    held = replace(
        referral(), source=order, told_in=(("pap_history", told), ("conditions", other), ("conditions", told))
    )
    assert held.told_by("pap_history") == (told,)
    assert held.told_by("conditions") == (other, told)
    assert held.told_by("prescriber") == (order,)
