"""Each stage of a case, whose move it is, and since when."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from service.rules.decision import Party
from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice, RedFlagKind, ReferralState
from service.rules.stage import StageName

from .build import (
    READY,
    ago,
    appliance,
    baseline,
    case,
    choice,
    efficacy,
    good_check_in,
    order,
    red_flag,
    referral,
    rows,
    setting,
    side_effect,
    stage,
)


def referred(state: ReferralState, undelivered: date | None = None, by_laboratory: bool = False, **more) -> CaseFacts:
    order = replace(referral(state), undelivered_since=undelivered, sent_by_laboratory=by_laboratory)
    return CaseFacts(referral=order, sleep_tests=(baseline(),), **more)


def decided(what: PhysicianChoice, days_ago: int = 2, **more) -> CaseFacts:
    return case(sleep_tests=(baseline(), efficacy(4)), physician_decisions=(choice(days_ago, what),), **more)


LOUD = (good_check_in(14, snoring="6"), good_check_in(7, snoring="6"))

STAGES = rows(
    ("requested", referred(ReferralState.REQUESTED), StageName.REFERRED, Party.DENTIST, 100),
    (
        "not delivered, sent by a laboratory",
        referred(ReferralState.REQUESTED, undelivered=ago(9), by_laboratory=True),
        StageName.REFERRED,
        Party.SLEEP_LAB,
        9,
    ),
    (
        "not delivered, sent by a practice",
        referred(ReferralState.REQUESTED, undelivered=ago(9), by_laboratory=False),
        StageName.REFERRED,
        Party.PHYSICIAN,
        9,
    ),
    (
        "taken up although it was not delivered once",
        referred(ReferralState.ACCEPTED, undelivered=ago(9), by_laboratory=True),
        StageName.ACCEPTED,
        Party.DENTIST,
        100,
    ),
    ("received", referred(ReferralState.RECEIVED), StageName.REFERRED, Party.DENTIST, 100),
    ("no referral yet", CaseFacts(sleep_tests=(baseline(),)), StageName.REFERRED, Party.PHYSICIAN, 0),
    ("accepted", referred(ReferralState.ACCEPTED), StageName.ACCEPTED, Party.DENTIST, 100),
    ("visit done, nothing delivered", referred(ReferralState.IN_PROGRESS), StageName.ACCEPTED, Party.DENTIST, 100),
    ("rejected", referred(ReferralState.REJECTED), StageName.CLOSED, Party.PHYSICIAN, 100),
    ("failed", replace(READY, referral=referral(ReferralState.FAILED)), StageName.CLOSED, Party.PHYSICIAN, 100),
    ("cancelled", replace(READY, referral=referral(ReferralState.CANCELLED)), StageName.CLOSED, Party.NOBODY, 100),
    (
        "entered in error",
        replace(READY, referral=referral(ReferralState.ENTERED_IN_ERROR)),
        StageName.CLOSED,
        Party.NOBODY,
        100,
    ),
    ("on hold", replace(READY, referral=referral(ReferralState.ON_HOLD)), StageName.ON_HOLD, Party.DENTIST, 100),
    (
        "on hold, but the jaw is locked",
        replace(READY, referral=referral(ReferralState.ON_HOLD), red_flags=(red_flag(RedFlagKind.LOCKED_JAW, 3),)),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
        3,
    ),
    (
        "drowsy driving",
        case(red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING, 2), red_flag(RedFlagKind.LOOSE_TOOTH, 6))),
        StageName.UNDER_REVIEW,
        Party.PHYSICIAN,
        6,
    ),
    (
        "a red flag outlives a cancelled referral",
        replace(READY, referral=referral(ReferralState.CANCELLED), red_flags=(red_flag(RedFlagKind.LOCKED_JAW, 6),)),
        StageName.UNDER_REVIEW,
        Party.DENTIST,
        6,
    ),
    (
        "a cancelled referral without one is closed",
        replace(READY, referral=referral(ReferralState.CANCELLED)),
        StageName.CLOSED,
        Party.NOBODY,
        100,
    ),
    (
        "delivered 13 days ago, no setting yet",
        case(appliances=(appliance(13),), settings=(), check_ins=()),
        StageName.TITRATING,
        Party.DENTIST,
        13,
    ),
    (
        "nothing heard for 14 days: the dental office calls",
        case(appliances=(appliance(14),), settings=(), check_ins=()),
        StageName.TITRATING,
        Party.DENTIST,
        0,
    ),
    (
        "nothing heard for 28 days: the physician is told",
        case(settings=(setting(40, "1"),), check_ins=(good_check_in(28, snoring="7"),)),
        StageName.TITRATING,
        Party.PHYSICIAN,
        0,
    ),
    (
        "27 days: still the dental office's",
        case(settings=(setting(40, "1"),), check_ins=(good_check_in(27, snoring="7"),)),
        StageName.TITRATING,
        Party.DENTIST,
        13,
    ),
    (
        "twelve weeks and not settled: the physician is asked, since the day the time was up",
        case(appliances=(appliance(90),), settings=(setting(20, "1"),), check_ins=(good_check_in(1, snoring="7"),)),
        StageName.TITRATING,
        Party.PHYSICIAN,
        6,
    ),
    (
        "one week at a step, loud",
        case(settings=(setting(8, "1"),), check_ins=(good_check_in(1, snoring="7"),)),
        StageName.TITRATING,
        Party.PATIENT,
        8,
    ),
    ("moderate jaw pain", case(side_effects=(side_effect(2, 30),)), StageName.TITRATING, Party.DENTIST, 21),
    (
        "standard parts reached: since the first answer that leaves symptoms there",
        case(settings=(setting(21, "3"),), check_ins=LOUD),
        StageName.TITRATING,
        Party.DENTIST,
        14,
    ),
    ("ready since its second answer", READY, StageName.READY_FOR_TEST, Party.PHYSICIAN, 7),
    (
        "ready at the limit",
        case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2"),)),
        StageName.READY_FOR_TEST,
        Party.PHYSICIAN,
        7,
    ),
    ("ordered", case(test_orders=(order(1),)), StageName.TEST_ORDERED, Party.SLEEP_LAB, 1),
    ("ordered on the day of the onset", case(test_orders=(order(21),)), StageName.TEST_ORDERED, Party.SLEEP_LAB, 21),
    (
        "ordered, and the setting changed since: still test?",
        case(test_orders=(order(22),)),
        StageName.TEST_ORDERED,
        Party.PHYSICIAN,
        22,
    ),
    ("order of tomorrow", case(test_orders=(order(-1),)), StageName.READY_FOR_TEST, Party.PHYSICIAN, 7),
    (
        "ordered though not ready",
        case(check_ins=LOUD, test_orders=(order(1),)),
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
        1,
    ),
    (
        "ordered on the day of a setting that is not stable yet",
        case(settings=(setting(5, "2"),), test_orders=(order(5),)),
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
        5,
    ),
    (
        "ordered, tested, and the report tells no index: the laboratory completes it",
        case(sleep_tests=(baseline(), efficacy(3, index=None)), test_orders=(order(6),)),
        StageName.TESTED,
        Party.SLEEP_LAB,
        3,
    ),
    (
        "tested, not decided",
        case(sleep_tests=(baseline(), efficacy(4)), test_orders=(order(9),)),
        StageName.TESTED,
        Party.PHYSICIAN,
        4,
    ),
    (
        "tested, decided before the test only",
        decided(PhysicianChoice.CONTINUE, 5),
        StageName.TESTED,
        Party.PHYSICIAN,
        4,
    ),
    ("stop", decided(PhysicianChoice.STOP), StageName.CLOSED, Party.NOBODY, 2),
    ("positional", decided(PhysicianChoice.ADD_POSITIONAL_THERAPY), StageName.FOLLOW_UP, Party.PHYSICIAN, 2),
    ("another therapy", decided(PhysicianChoice.COMBINE_OR_CHANGE), StageName.FOLLOW_UP, Party.PHYSICIAN, 2),
    (
        "advance and test again: titrating, the old order is spent",
        decided(PhysicianChoice.ADVANCE_AND_RETEST, test_orders=(order(9),)),
        StageName.TITRATING,
        Party.PATIENT,
        2,
    ),
    (
        "advance and test again, already ordered",
        decided(PhysicianChoice.ADVANCE_AND_RETEST, test_orders=(order(9), order(2))),
        StageName.TEST_ORDERED,
        Party.SLEEP_LAB,
        2,
    ),
    (
        "completed referral, test without a decision",
        case(referral=referral(ReferralState.COMPLETED), sleep_tests=(baseline(), efficacy(4))),
        StageName.TESTED,
        Party.PHYSICIAN,
        4,
    ),
)


@pytest.mark.parametrize(("facts", "name", "mover", "since"), STAGES)
def test_stage(facts, name, mover, since):
    found = stage(facts)
    assert (found.name, found.whose_move, found.since) == (name, mover, ago(since))
    assert found.urgent == (name is StageName.UNDER_REVIEW)
    assert not found.why[0].islower() and found.why.endswith(".")


def test_what_the_physician_decided_is_said():
    assert "positional therapy is added" in stage(decided(PhysicianChoice.ADD_POSITIONAL_THERAPY)).why
    assert "a combination or another therapy follows" in stage(decided(PhysicianChoice.COMBINE_OR_CHANGE)).why


def test_every_stage_has_a_row():
    assert {row.values[1] for row in STAGES} == set(StageName)


def test_a_delivery_without_a_setting_asks_for_the_first_setting_and_no_more():
    found = stage(case(appliances=(appliance(13),), settings=(), check_ins=()))
    assert found.why == "The appliance was delivered on 17 Sep 2026; the dental office records the first setting."


def test_the_line_on_a_case_as_data():
    assert stage(case(test_orders=(order(1),), appliances=(appliance(30),))).as_data() == {
        "stage": "test-ordered",
        "whose_move": "sleep lab",
        "since": "2026-09-29",
        "why": "An efficacy test is ordered since 29 Sep 2026; the setting stays as it is until the test.",
        "urgent": False,
        "due": None,
    }


def test_as_of_an_earlier_day_the_stage_is_that_of_the_day():
    facts = decided(PhysicianChoice.CONTINUE, test_orders=(order(6),))
    names = [stage(facts, ago(d)).name for d in (7, 6, 5, 4, 3, 2)]
    assert names == [
        StageName.READY_FOR_TEST,
        StageName.TEST_ORDERED,
        StageName.TEST_ORDERED,
        StageName.TESTED,
        StageName.TESTED,
        StageName.FOLLOW_UP,
    ]
