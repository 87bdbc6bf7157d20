"""Made-up cases for the rule tests, told in days before one fixed day. All people and values are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.rules.course import course_on
from service.rules.decision import Criterion, Decision
from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    Setting,
    SideEffect,
    TestOrder,
)
from service.rules.follow_up import follow_up
from service.rules.kinds import (
    HypopnoeaRule,
    IndexName,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    Scoring,
    TestPlace,
    TestPurpose,
    Worn,
)
from service.rules.projection import Projection, project
from service.rules.readiness import assess_readiness, readiness_criteria
from service.rules.referral_order import Referral
from service.rules.response import assess_response
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source
from service.rules.stage import Stage, stage_of
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step

AS_OF = date(2026, 9, 30)
DEFAULTS = Thresholds()


def rows(*table: tuple[Any, ...]) -> list[Any]:
    """Rows for parametrize; the first cell of each is its clinical comment and test id."""
    return [pytest.param(*row[1:], id=row[0]) for row in table]


def ago(days: int) -> date:
    """The day that many days before the day of the decision; negative for a day after it."""
    return AS_OF - timedelta(days=days)


def dec(value: str | int | Decimal | None) -> Decimal | None:
    return None if value is None else Decimal(value)


def source(name: str) -> Source:
    return Source(f"Observation/{name}", 1)


def setting(days_ago: int, left: str, right: str | None = None, **more: Any) -> Setting:
    right = left if right is None else right
    name = source(f"setting-{days_ago}-{left}-{right}")
    return Setting(name, Moment(ago(days_ago)), Decimal(left), Decimal(right), **more)


def check_in(days_ago: int, name: str = "check-in", clock: str = "", **told: Any) -> CheckIn:
    """A check-in that tells only what is given; scales and hours as text."""
    scales = {k: dec(v) if k in ("snoring", "restedness", "hours_per_night") else v for k, v in told.items()}
    return CheckIn(source(f"{name}-{days_ago}"), Moment(ago(days_ago), clock), **scales)


def good_check_in(days_ago: int, **changes: Any) -> CheckIn:
    """A week of good wear with settled symptoms, except for the changes."""
    told: dict[str, Any] = {
        "snoring": "2",
        "restedness": "8",
        "nights_reported": 7,
        "nights_worn": 7,
        "hours_per_night": "7",
        "witnessed_pauses": False,
    }
    return check_in(days_ago, **(told | changes))


def side_effect(
    grade: int, onset: int, ended: int | None = None, reported: int | None = None, **more: Any
) -> SideEffect:
    kind = more.pop("kind", "jaw-pain")
    day_reported = onset if reported is None else reported
    moment = Moment(ago(day_reported))
    name = source(f"{kind}-{grade}-{day_reported}")
    return SideEffect(name, moment, kind, grade, ago(onset), None if ended is None else ago(ended))


def red_flag(kind: RedFlagKind, reported: int = 1, resolved: int | None = None) -> RedFlag:
    name = source(f"{kind}-{reported}-{resolved}")
    return RedFlag(name, Moment(ago(reported)), kind, None if resolved is None else ago(resolved))


def baseline(days_ago: int = 120, index: str | None = "24", **changes: Any) -> SleepTest:
    held: dict[str, Any] = {
        "place": TestPlace.HOME,
        "index_name": IndexName.REI,
        "hypopnoea_rule": HypopnoeaRule.FOUR_PERCENT,
        "recording_hours": Decimal("7"),
    }
    name = source(f"baseline-{days_ago}-{index}")
    return SleepTest(name, ago(days_ago), TestPurpose.BASELINE, index_per_hour=dec(index), **(held | changes))


def efficacy(
    days_ago: int, index: str | None = "6", at: str | None = "2", hours: str | None = "7", **changes: Any
) -> SleepTest:
    held: dict[str, Any] = {
        "place": TestPlace.HOME,
        "index_name": IndexName.REI,
        "hypopnoea_rule": HypopnoeaRule.FOUR_PERCENT,
        "worn": Worn.ALL_NIGHT,
        "scoring": Scoring.REVIEWED,
        "setting_left_mm": dec(at),
        "setting_right_mm": dec(at),
    }
    name = source(f"efficacy-{days_ago}-{index}")
    held |= {"index_per_hour": dec(index), "recording_hours": dec(hours)} | changes
    return SleepTest(name, ago(days_ago), TestPurpose.EFFICACY, **held)


def appliance(delivered: int = 60, **lengths: Any) -> Appliance:
    ended = lengths.pop("ended", None)
    mm = {k: dec(v) for k, v in lengths.items()}
    name = source(f"appliance-{delivered}")
    return Appliance(name, ago(delivered), None if ended is None else ago(ended), **mm)


def assessment(range_mm: str, days_ago: int = 80) -> DentalAssessment:
    return DentalAssessment(source(f"assessment-{days_ago}"), Moment(ago(days_ago)), Decimal(range_mm))


def referral(state: ReferralState = ReferralState.IN_PROGRESS, days_ago: int = 100) -> Referral:
    return Referral(source("referral"), ago(days_ago), state)


def order(days_ago: int) -> TestOrder:
    return TestOrder(source(f"order-{days_ago}"), ago(days_ago))


def choice(days_ago: int, what: PhysicianChoice) -> PhysicianDecision:
    return PhysicianDecision(source(f"decision-{days_ago}-{what}"), Moment(ago(days_ago)), what)


READY = CaseFacts(
    referral=referral(),
    appliances=(appliance(),),
    settings=(setting(60, "0"), setting(40, "1"), setting(21, "2")),
    check_ins=(check_in(70, epworth_total=12), good_check_in(14), good_check_in(7)),
    sleep_tests=(baseline(),),
)
"""A case that is ready on `AS_OF`: two millimetres for three weeks, worn, tolerated, symptoms settled."""


def case(**changes: Any) -> CaseFacts:
    """The ready case with some kinds of facts replaced."""
    return replace(READY, **changes)


def after_delivery(*check_ins: CheckIn) -> CaseFacts:
    """The ready case with other check-ins since the onset of its setting; the Epworth total before was 12."""
    return case(check_ins=(check_in(70, epworth_total=12), *check_ins))


def readiness(facts: CaseFacts, as_of: date = AS_OF, thresholds: Thresholds = DEFAULTS) -> Decision:
    return assess_readiness(facts, thresholds, as_of)


def criterion(facts: CaseFacts, name: str, thresholds: Thresholds = DEFAULTS) -> Criterion:
    """One readiness criterion of a case on `AS_OF`."""
    found = {c.name: c for c in readiness_criteria(course_on(facts, AS_OF, thresholds), thresholds)}
    return found[name]


def projected(facts: CaseFacts, as_of: date = AS_OF, thresholds: Thresholds = DEFAULTS) -> Projection | None:
    """The projected plan; None before an appliance and a setting are on record."""
    course = course_on(facts, as_of, thresholds)
    judged = assess_readiness(facts, thresholds, as_of, course)
    return project(course, facts, thresholds, judged, next_step(facts, thresholds, judged, course))


def step(facts: CaseFacts, as_of: date = AS_OF, thresholds: Thresholds = DEFAULTS) -> Decision:
    """The next titration step of a case that has an appliance and a setting."""
    decided = next_step(facts, thresholds, readiness(facts, as_of, thresholds))
    assert decided is not None
    return decided


def stage(facts: CaseFacts, as_of: date = AS_OF) -> Stage:
    """The stage of a case, with the decisions it rests on."""
    ready = readiness(facts, as_of)
    step_taken, response = next_step(facts, DEFAULTS, ready), assess_response(facts, DEFAULTS, as_of)
    return stage_of(facts, ready, step_taken, response, follow_up(facts, DEFAULTS, as_of), DEFAULTS)
