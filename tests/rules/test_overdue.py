"""From which day a case is overdue: the last day in time and the first day late, stage by stage.

The days allowed are our own policy; no published values were found.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from service.rules.case_view import view_case
from service.rules.facts import CancellationRequest, CaseFacts, SideEffect, Visit
from service.rules.follow_up import FollowUpOutcome
from service.rules.kinds import Office, PhysicianChoice, RedFlagKind, ReferralState
from service.rules.overdue import overdue_from
from service.rules.site import Site
from service.rules.source import Moment
from service.rules.stage import open_cancellation
from service.rules.thresholds import Thresholds

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
    good_check_in,
    order,
    red_flag,
    referral,
    rows,
    setting,
    source,
)


def since(state: ReferralState, days_ago: int) -> CaseFacts:
    """A referral of 100 days ago that entered a state."""
    held = replace(referral(state), state_since=((ago(days_ago), state),))
    return CaseFacts(referral=held, sleep_tests=(baseline(),))


SEEN = tuple(Visit(source(f"seen-{o}"), ago(10), o) for o in Office)


def moves_day(facts: CaseFacts):
    """The day of the move alone: both offices saw the patient lately, so that no visit is due before it."""
    return told(replace(facts, visits=SEEN))


def told(facts: CaseFacts, thresholds: Thresholds = DEFAULTS, proposed: int | None = None):
    view = view_case(facts, Site(thresholds=thresholds), AS_OF)
    proposed_on = None if proposed is None else ago(proposed)
    return overdue_from(view.stage, view.facts, view.follow_up, thresholds, AS_OF, proposed_on)


REFERRED = CaseFacts(referral=referral(ReferralState.REQUESTED), sleep_tests=(baseline(),))
LOUD = (good_check_in(14, snoring="6"), good_check_in(7, snoring="6"))
TITRATING = case(settings=(setting(8, "1"),), check_ins=(good_check_in(9, snoring="6"),))
TESTED = case(sleep_tests=(baseline(), efficacy(4)))
HELD = replace(referral(ReferralState.ON_HOLD), state_since=((ago(10), ReferralState.ON_HOLD),))
ASKED = CancellationRequest(source("asked"), ago(3), "surgery")

BEGUN = replace(
    referral(ReferralState.IN_PROGRESS),
    state_since=(
        (ago(100), ReferralState.REQUESTED),
        (ago(30), ReferralState.ACCEPTED),
        (ago(10), ReferralState.IN_PROGRESS),
    ),
)

TABLE = rows(
    # comment, facts, days before today on which the wait began, days allowed
    ("referred 100 days ago and never answered: lost at the first step", REFERRED, 100, 14),
    ("accepted 20 days ago: an appliance takes weeks to make", since(ReferralState.ACCEPTED, 20), 20, 60),
    ("in titration, the last sign of life is the setting of 8 days ago", TITRATING, 8, 14),
    ("accepted today: the whole time is left", since(ReferralState.ACCEPTED, 0), 0, 60),
    (
        "accepted a week after the referral came, then begun: from the acceptance on",
        replace(since(ReferralState.IN_PROGRESS, 0), referral=BEGUN),
        30,
        60,
    ),
    (
        "in titration, a check-in after the setting is the later sign of life",
        replace(TITRATING, check_ins=(good_check_in(5, snoring="6"),)),
        5,
        14,
    ),
    (
        "a patient who cannot drive safely is the physician's the same day",
        replace(READY, red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING, 2),)),
        2,
        0,
    ),
    (
        "worse sleepiness reported on a Monday: two working days",
        replace(READY, red_flags=(red_flag(RedFlagKind.WORSE_SLEEPINESS, 2),)),
        2,
        2,
    ),
    (
        "reported on a Friday: two working days end on Tuesday",
        replace(READY, red_flags=(red_flag(RedFlagKind.WORSE_SLEEPINESS, 5),)),
        5,
        4,
    ),
    (
        "moderate pain is seen within 7 days of its onset",
        replace(TITRATING, side_effects=(SideEffect(source("pain"), Moment(ago(3)), "jaw-pain", 2, ago(3)),)),
        3,
        7,
    ),
    ("test ordered 5 days ago: the laboratory needs an appointment", replace(READY, test_orders=(order(5),)), 5, 60),
    ("tested 4 days ago: the physician reads the result", TESTED, 4, 21),
    ("put on hold 10 days ago: a hold is meant, but not for ever", replace(READY, referral=HELD), 10, 60),
    (
        "another therapy decided on 2 days ago: the physician arranges it",
        replace(TESTED, physician_decisions=(choice(2, PhysicianChoice.COMBINE_OR_CHANGE),)),
        2,
        21,
    ),
    (
        "asked 3 days ago to cancel: the answer is due like that to a referral",
        replace(TITRATING, cancellation_requests=(ASKED,)),
        3,
        14,
    ),
)


@pytest.mark.parametrize(("facts", "began", "allowed"), TABLE)
def test_overdue_from(facts: CaseFacts, began: int, allowed: int):
    assert moves_day(facts) == ago(began) + timedelta(days=allowed)


def test_a_proposed_test_waits_since_it_was_proposed():
    """The setting may be old: the physician could not order before the case became ready."""
    seen = replace(READY, visits=SEEN)
    assert told(seen, proposed=3) == ago(3) + timedelta(days=14)
    assert told(seen, proposed=14) == AS_OF
    assert told(seen) == ago(7) + timedelta(days=14)


# The earlier of two days: that of the party's move, and the latest day of the next visit.
EARLIER = rows(
    ("the visit of the first month was due 30 days ago, 14 days of grace", 60, 16),
    ("delivered 46 days ago: the visit's last day is 2 days back", 46, 2),
    ("delivered 40 days ago: the last day of the visit comes before that of the test", 40, -4),
    ("delivered 20 days ago: the order is due first", 20, -9),
)


@pytest.mark.parametrize(("delivered", "late"), EARLIER)
def test_the_earlier_of_the_move_and_the_visit(delivered: int, late: int):
    ordered = case(appliances=(appliance(delivered),), settings=(setting(delivered, "2"),), test_orders=(order(51),))
    assert told(ordered) == ago(late)


NEVER = rows(
    ("closed: nothing can be reported that ends it", since(ReferralState.REJECTED, 50)),
    ("no referral on record: nobody was asked", CaseFacts(sleep_tests=(baseline(),))),
    (
        "the physician stopped the treatment",
        replace(TESTED, physician_decisions=(choice(2, PhysicianChoice.STOP),)),
    ),
)


@pytest.mark.parametrize("facts", NEVER)
def test_never_overdue(facts: CaseFacts):
    assert told(facts) is None


VISITS = rows(
    ("half a year after the decision, due for a week", 190, FollowUpOutcome.VISIT_DUE, 7),
    ("overdue for a month", 213, FollowUpOutcome.VISIT_OVERDUE, 30),
)


@pytest.mark.parametrize(("decided", "outcome", "due"), VISITS)
def test_a_visit_has_its_days_of_grace_and_no_report_puts_it_off(decided: int, outcome: FollowUpOutcome, due: int):
    facts = case(
        appliances=(appliance(300),),
        settings=(setting(300, "0"), setting(270, "2")),
        check_ins=(good_check_in(2),),
        sleep_tests=(baseline(400), efficacy(decided + 1)),
        physician_decisions=(choice(decided, PhysicianChoice.CONTINUE),),
    )
    grace = DEFAULTS.with_values({"visit_grace_days": Decimal(20)})
    view = view_case(facts, Site(thresholds=grace), AS_OF)
    assert view.follow_up is not None and view.follow_up.decision.outcome == outcome
    assert told(facts, grace) == ago(due) + timedelta(days=20)


def test_an_answered_request_to_cancel_no_longer_waits():
    answered = replace(ASKED, answered_on=ago(1))
    assert told(replace(TITRATING, cancellation_requests=(answered,))) == told(TITRATING)


OPEN = rows(
    # comment, days ago that it was asked and answered, whether it waits today
    ("asked today", 0, None, True),
    ("asked tomorrow: nobody knows of it yet", -1, None, False),
    ("answered today: it waits no more", 3, 0, False),
    ("answered tomorrow: today it still waits", 3, -1, True),
)


@pytest.mark.parametrize(("asked", "answered", "waits"), OPEN)
def test_on_which_days_a_request_to_cancel_waits(asked: int, answered: int | None, waits: bool):
    request = replace(ASKED, day=ago(asked), answered_on=None if answered is None else ago(answered))
    facts = replace(TITRATING, cancellation_requests=(request,))
    assert (open_cancellation(facts, AS_OF) == request) is waits


def test_of_two_requests_to_cancel_the_first_asked_waits():
    later = replace(ASKED, source=source("asked-again"), day=ago(1))
    assert open_cancellation(replace(TITRATING, cancellation_requests=(later, ASKED)), AS_OF) == ASKED


def test_a_request_to_cancel_is_shown_to_the_dental_office_and_a_red_flag_goes_before():
    asked = view_case(replace(TITRATING, cancellation_requests=(ASKED,)), Site(), AS_OF).stage
    assert (asked.whose_move, asked.since) == ("dentist", ago(3))
    assert asked.why.startswith("The physician's office asked on 27 Sep 2026 to cancel the referral (surgery);")
    flagged = replace(TITRATING, cancellation_requests=(ASKED,), red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING, 2),))
    stage = view_case(flagged, Site(), AS_OF).stage
    assert stage.urgent
    assert "asked on 27 Sep 2026 to cancel" in stage.why
    assert not stage.why.startswith("The physician's office asked")


def test_a_site_may_wait_longer_or_less():
    shorter = Thresholds().with_values({"referral_answer_days": Decimal(3)})
    assert told(REFERRED, shorter) == ago(97)


def test_a_visit_that_is_due_is_overdue_after_its_grace():
    """Follow-up for good: the visit's own grace holds, not the days of a decision."""
    decided = case(
        appliances=(appliance(400),),
        settings=(setting(390, "2"),),
        check_ins=(),
        sleep_tests=(baseline(), efficacy(370)),
        physician_decisions=(choice(365, PhysicianChoice.CONTINUE),),
    )
    view = view_case(decided, Site(), AS_OF)
    assert view.follow_up and view.follow_up.since
    assert view.follow_up.decision.outcome in ("visit-due", "visit-overdue")
    assert told(decided) == view.follow_up.since + timedelta(days=14)
