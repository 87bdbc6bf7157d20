"""The projected plan: dates and settings to the goal and the limit, and why it ends or is not drawn."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings

from service.rules.decision import Step
from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice, RedFlagKind
from service.rules.projection import Projection
from service.rules.readiness import assess_readiness
from service.rules.threshold import Mark
from service.rules.titration import next_step
from tests.short_run import times

from .build import (
    AS_OF,
    DEFAULTS,
    READY,
    ago,
    appliance,
    assessment,
    baseline,
    case,
    choice,
    efficacy,
    good_check_in,
    projected,
    red_flag,
    rows,
    setting,
    side_effect,
    step,
)
from .cases import as_of_days, cases


def titrating(onset=8, at="1", *check_ins, **more) -> CaseFacts:
    """A week at a setting, symptoms unsettled."""
    reports = check_ins or (good_check_in(1, snoring="7"),)
    return case(settings=(setting(onset + 10, "0"), setting(onset, at)), check_ins=reports, **more)


def drawn(facts, thresholds=DEFAULTS) -> Projection:
    plan = projected(facts, AS_OF, thresholds)
    assert plan is not None
    return plan


def told(facts, **more):
    return [(s.day, str(s.left_mm), str(s.right_mm)) for s in drawn(facts, **more).steps]


PLANS = rows(
    ("from 0 to the standard parts", titrating(at="0"), [(0, "1"), (-7, "2"), (-14, "3")]),
    ("from 1", titrating(), [(0, "2"), (-7, "3")]),
    ("in the first days: from the end of the week on", titrating(5), [(-2, "2"), (-9, "3")]),
    ("a day before the end of the week", titrating(6), [(-1, "2"), (-8, "3")]),
    (
        "no check-in since the step: tomorrow at the earliest",
        titrating(8, "1", good_check_in(9)),
        [(-1, "2"), (-8, "3")],
    ),
    (
        "worn too little last week: tomorrow at the earliest",
        titrating(8, "1", good_check_in(1, snoring="7", nights_worn=3)),
        [(-1, "2"), (-8, "3")],
    ),
    ("to the appliance's limit", titrating(appliances=(appliance(maximum_advance_mm="2.5"),)), [(0, "2"), (-7, "2.5")]),
    (
        "in whole steps of the appliance",
        titrating(appliances=(appliance(smallest_step_mm="0.4"),)),
        [(0, "1.8"), (-7, "2.6"), (-14, "3.0")],
    ),
    (
        "to the share of the range: 70 % of 10 mm from 5",
        titrating(appliances=(appliance(starting_position_mm="5"),), assessments=(assessment("10"),)),
        [(0, "2")],
    ),
)


@pytest.mark.parametrize(("facts", "steps"), PLANS)
def test_steps_and_dates(facts, steps):
    assert told(facts) == [(ago(d), mm, mm) for d, mm in steps]


def test_the_first_step_is_the_next_step():
    facts = titrating(appliances=(appliance(smallest_step_mm="0.4"),))
    decided = step(facts)
    first = drawn(facts).steps[0]
    assert (first.left_mm, first.right_mm) == (decided.target_left_mm, decided.target_right_mm)


def test_goal_limit_and_words():
    plan = drawn(titrating(at="0"))
    assert (plan.goal_on, plan.limit_on) == (ago(-7), ago(-14))
    assert [s.passes_goal for s in plan.steps] == [False, False, True]
    assert plan.stop_reason == "Beyond 3 mm a step is taken only by the dentist's direction."
    assert plan.sentence == (
        "If symptoms stay unsettled and the appliance is worn and tolerated: 1 mm on both sides from 30 Sep 2026, 2 mm on "
        "both sides from 7 Oct 2026 and 3 mm on both sides from 14 Oct 2026. The typical goal of 2 mm is reached on "
        f"7 Oct 2026. Then the plan ends. {plan.stop_reason}"
    )
    support = {t.name: t.mark for t in plan.thresholds}
    assert support["goal_mm"] is support["standard_parts_mm"] is Mark.PRACTICE
    assert [t.name for t in plan.thresholds] == [
        "step_mm",
        "step_days",
        "goal_mm",
        "standard_parts_mm",
        "maximum_percent_of_range",
        "smallest_step_mm",
    ]


def test_the_goal_is_not_reached_where_the_appliance_ends_before_it():
    plan = drawn(titrating(at="0", appliances=(appliance(maximum_advance_mm="1.5"),)))
    assert (plan.goal_on, plan.limit_on, plan.stop_reason) == (
        None,
        ago(-7),
        "The appliance cannot be advanced further.",
    )
    assert "typical goal" not in plan.sentence


def test_the_position_in_percent_of_the_range():
    facts = titrating(appliances=(appliance(starting_position_mm="4"),), assessments=(assessment("11"),))
    assert [s.percent_of_range for s in drawn(facts).steps] == [55, 64]
    assert [s.percent_of_range for s in drawn(titrating()).steps] == [None, None]
    uneven = case(
        settings=(setting(8, "0", "1", difference_intended=True),),
        check_ins=(good_check_in(1, snoring="7"),),
        appliances=(appliance(starting_position_mm="4"),),
        assessments=(assessment("10"),),
    )
    first = drawn(uneven).steps[0]
    assert (first.left_mm, first.right_mm, first.percent_of_range) == (1, 2, 60)
    assert drawn(uneven).goal_on == AS_OF and not first.passes_goal


NOT_DRAWN = rows(
    ("settled", titrating(8, "1", good_check_in(1)), "symptoms were settled"),
    ("ready", READY, "Ready for an efficacy test"),
    ("red flag", titrating(red_flags=(red_flag(RedFlagKind.LOCKED_JAW),)), "Stop and review"),
    ("side effect", titrating(side_effects=(side_effect(2, 2),)), "Hold this setting while jaw pain"),
    ("at the standard parts", titrating(at="3"), "beyond 3 mm"),
    ("tested, the physician has not decided", case(sleep_tests=(baseline(), efficacy(5))), "The result of the test"),
    (
        "taken back for a side effect",
        case(
            settings=(setting(18, "2"), setting(8, "1", taken_back_for_side_effect=True)),
            check_ins=(good_check_in(1, snoring="7"),),
        ),
        "taken back for a side effect",
    ),
    (
        "taken back, still in its first week",
        case(
            settings=(setting(18, "2"), setting(3, "1", taken_back_for_side_effect=True)),
            check_ins=(good_check_in(1, snoring="7"),),
        ),
        "Hold this setting until",
    ),
)


@pytest.mark.parametrize(("facts", "why"), NOT_DRAWN)
def test_no_step_is_planned(facts, why):
    plan = drawn(facts)
    assert (plan.steps, plan.goal_on, plan.limit_on) == ((), None, None)
    assert why in plan.stop_reason
    assert plan.sentence == f"No further step is planned on 30 Sep 2026. {plan.stop_reason}"


def test_after_the_physician_asked_for_one_more_step_a_test_follows():
    facts = case(
        settings=(setting(21, "1"),),
        sleep_tests=(baseline(), efficacy(5, at="1")),
        physician_decisions=(choice(3, PhysicianChoice.ADVANCE_AND_RETEST),),
    )
    plan = drawn(facts)
    assert [(s.day, s.left_mm) for s in plan.steps] == [(AS_OF, 2)]
    assert plan.stop_reason == "The physician asked for another efficacy test after this step."
    assert (plan.goal_on, plan.limit_on) == (AS_OF, None)


def test_none_before_an_appliance_and_a_setting():
    assert projected(CaseFacts()) is None
    assert projected(case(settings=())) is None


def test_the_plan_is_redrawn_from_the_facts_of_the_day():
    facts = titrating()
    changed = replace(facts, settings=(*facts.settings, setting(0, "1.5")), check_ins=())
    assert told(changed)[0] == (ago(-7), "2.5", "2.5")
    site = DEFAULTS.with_values({"step_days": Decimal(14), "step_mm": Decimal("0.5"), "goal_mm": Decimal(1)})
    assert [(s.day, s.left_mm) for s in drawn(titrating(14), site).steps][:2] == [
        (AS_OF, Decimal("1.5")),
        (ago(-14), Decimal(2)),
    ]


def test_the_plan_as_data():
    data = drawn(titrating(appliances=(appliance(maximum_advance_mm="2"),))).as_data()
    assert data["as_of"] == "2026-09-30"
    assert data["steps"] == [
        {
            "day": "2026-09-30",
            "left_mm": Decimal(2),
            "right_mm": Decimal(2),
            "percent_of_range": None,
            "passes_goal": False,
        }
    ]
    assert (data["goal_on"], data["limit_on"]) == ("2026-09-30", "2026-09-30")
    assert data["stop_reason"] == "The appliance cannot be advanced further."
    assert data["thresholds"][0] == "step_mm" and data["sentence"].startswith("If symptoms stay unsettled")
    empty = drawn(READY).as_data()
    assert (empty["goal_on"], empty["limit_on"], empty["steps"]) == (None, None, [])


@pytest.mark.at_length
@settings(max_examples=times(150, 40), deadline=None, suppress_health_check=list(HealthCheck))
@given(cases(), as_of_days())
def test_a_plan_rises_by_steps_apart_and_begins_with_the_next_step(facts, as_of):
    plan = projected(facts, as_of)
    decided = next_step(facts, DEFAULTS, assess_readiness(facts, DEFAULTS, as_of))
    assert (plan is None) == (decided is None)
    if plan is None or decided is None:
        return
    if decided.outcome == Step.ADVANCE:
        first = plan.steps[0]
        assert (first.day, first.left_mm, first.right_mm) == (as_of, decided.target_left_mm, decided.target_right_mm)
    for one, other in zip(plan.steps, plan.steps[1:], strict=False):
        assert other.day - one.day == timedelta(days=7)
        assert other.left_mm > one.left_mm and other.right_mm > one.right_mm
    assert all(max(s.left_mm, s.right_mm) <= 3 and s.day >= as_of for s in plan.steps)
