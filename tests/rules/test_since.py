"""Since when it is somebody's move: the day the case became ready or the result came, of the facts alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from service.rules.case_view import view_case
from service.rules.decision import Readiness
from service.rules.facts import CaseFacts, CheckIn, RedFlagClosure, Setting
from service.rules.kinds import Office, RedFlagKind
from service.rules.site import Site
from service.rules.source import Moment, Source

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    efficacy,
    good_check_in,
    readiness,
    red_flag,
    referral,
    rows,
    setting,
    side_effect,
    stage,
)


def on(day, month=11):
    return date(2026, month, day)


def report(day, month=11, **more):
    told = {
        "snoring": Decimal(2),
        "restedness": Decimal(8),
        "nights_reported": 7,
        "nights_worn": 7,
        "hours_per_night": Decimal(7),
    }
    return CheckIn(Source(f"report-{month}-{day}", 1), Moment(on(day, month)), **(told | more))


FIXED = CaseFacts(
    referral=replace(referral(), day=on(1, 7)),
    appliances=(replace(appliance(), delivered_on=on(1, 10)),),
    settings=(Setting(Source("s", 1), Moment(on(25, 10)), Decimal(2), Decimal(2)),),
    check_ins=(report(8), report(22)),
    sleep_tests=(replace(baseline(), day=on(1, 8)),),
)


@pytest.mark.parametrize("as_of", [on(22), on(23), on(30), on(1, 12), on(5, 12)])
def test_stable_on_the_8th_and_the_last_answer_on_the_22nd_is_since_the_22nd(as_of):
    """The same whichever days were skipped: on whatever day somebody looks."""
    view = view_case(FIXED, Site(), as_of)
    assert view.readiness.outcome == Readiness.READY
    assert view.stage.since == on(22)


def test_the_day_before_it_was_not_ready():
    assert readiness(FIXED, on(21)).outcome != Readiness.READY


def test_the_order_of_arrival_and_an_answer_that_changes_nothing_leave_the_day():
    turned = replace(FIXED, check_ins=FIXED.check_ins[::-1])
    more = replace(FIXED, check_ins=(*FIXED.check_ins, report(29)))
    for facts in (turned, more):
        assert view_case(facts, Site(), on(5, 12)).stage.since == on(22)


SINCE = rows(
    (
        "the setting became stable last",
        case(settings=(setting(14, "2"),), check_ins=(good_check_in(10), good_check_in(3))),
        0,
    ),
    ("stable for a while, the second answer came last", case(), 7),
    (
        "a loud answer between two quiet ones: since the second quiet one after it",
        case(
            settings=(setting(40, "2"),),
            check_ins=(
                good_check_in(28),
                good_check_in(21),
                good_check_in(14, snoring="6"),
                good_check_in(9),
                good_check_in(4),
            ),
        ),
        4,
    ),
    ("moderate pain that ended", case(side_effects=(side_effect(2, 9, ended=5),)), 5),
    ("the baseline came first, the answers later", case(sleep_tests=(baseline(100),)), 7),
    (
        "a red flag closed by its office",
        case(
            red_flags=(red_flag(RedFlagKind.LOOSE_TOOTH, 6),),
            red_flag_closures=(
                RedFlagClosure(
                    Source("c", 1), Moment(ago(2)), RedFlagKind.LOOSE_TOOTH, Office.DENTIST, "A", "splinted"
                ),
            ),
        ),
        2,
    ),
    (
        "a pause seen 28 days ago is forgotten",
        case(
            settings=(setting(50, "2"),),
            check_ins=(
                check_in(33, witnessed_pauses=True),
                good_check_in(14, witnessed_pauses=None),
                good_check_in(7, witnessed_pauses=None),
            ),
        ),
        4,
    ),
)


@pytest.mark.parametrize(("facts", "since"), SINCE)
def test_since_when_a_case_is_ready(facts, since):
    assert stage(facts).since == ago(since)
    assert readiness(facts, ago(since)).outcome == Readiness.READY
    assert readiness(facts, ago(since + 1)).outcome != Readiness.READY
    for later in range(since):
        assert stage(facts, ago(later)).since == ago(since)


def test_a_result_is_since_the_day_of_the_test():
    assert stage(case(sleep_tests=(baseline(), efficacy(4)))).since == ago(4)


def test_a_case_ready_for_very_long_is_looked_back_on_for_some_months():
    weekly = tuple(good_check_in(d) for d in range(3, 300, 7))
    facts = case(
        appliances=(appliance(320),), settings=(setting(310, "2"),), check_ins=weekly, sleep_tests=(baseline(400),)
    )
    assert readiness(facts).outcome == Readiness.READY
    assert stage(facts).since == ago(90)
    assert (AS_OF - stage(facts).since).days > DEFAULTS.test_order_days.value
