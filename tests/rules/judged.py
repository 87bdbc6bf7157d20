"""Pairs of sleep tests for the tests of the judged test, alike and complete except for what a row changes. All invented."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

from service.rules.judging.finding import Finding
from service.rules.judging.judgement import Judgement, judge
from service.rules.judging.validity import OfficeRecord
from service.rules.kinds import HypopnoeaRule, IndexName, TestKind, TestPlace
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds

from .build import DEFAULTS, ago, baseline, dec, efficacy

FOUR, THREE = HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT
AROUSAL, UNKNOWN = HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, HypopnoeaRule.UNKNOWN
AHI, REI, RDI = IndexName.AHI, IndexName.REI, IndexName.RDI
COMPLETE_REPORT: dict[str, Any] = {
    "supine_share": Decimal("0.3"),
    "alcohol": False,
    "weight_kg": Decimal(80),
    "central_share": Decimal("0.1"),
}
AT_HOME = {"kind": TestKind.HOME_FLOW}
IN_LABORATORY: dict[str, Any] = {
    "place": TestPlace.LABORATORY,
    "kind": TestKind.POLYSOMNOGRAPHY,
    "index_name": AHI,
    "sleep_hours": Decimal("6.5"),
}


def told(changes: dict[str, Any]) -> dict[str, Any]:
    """Changes with numbers given as text made decimals, except the names that are texts themselves."""
    return {k: dec(v) if type(v) is str and k != "performer" else v for k, v in changes.items()}


def home(index: str | None = "8.0", **changes: Any) -> SleepTest:
    """An efficacy test at home that tells all there is: REI by the 4 % rule, 7 hours recorded, reviewed, worn all night."""
    return replace(efficacy(10, index), **(COMPLETE_REPORT | AT_HOME | told(changes)))


def home_before(index: str | None = "20.0", **changes: Any) -> SleepTest:
    """The baseline of `home`."""
    return replace(baseline(120, index), **(COMPLETE_REPORT | AT_HOME | told(changes)))


def laboratory(index: str | None = "8.0", **changes: Any) -> SleepTest:
    """An efficacy polysomnography that tells all there is: AHI by the 4 % rule, 6.5 of 7 hours asleep."""
    return replace(home(index), **(IN_LABORATORY | told(changes)))


def laboratory_before(index: str | None = "20.0", **changes: Any) -> SleepTest:
    """The baseline of `laboratory`."""
    return replace(home_before(index), **(IN_LABORATORY | told(changes)))


DELIVERED = OfficeRecord((Decimal(2), Decimal(2)), ago(60))
"""A setting of 2 mm with an appliance delivered well before the night."""


def of(
    test: SleepTest,
    before: SleepTest | None = None,
    thresholds: Thresholds = DEFAULTS,
    recorded: OfficeRecord = DELIVERED,
) -> Judgement:
    """The judgement of a test at a setting of 2 mm; against the baseline of its kind when none is given."""
    alike = laboratory_before() if test.kind is TestKind.POLYSOMNOGRAPHY else home_before()
    return judge(test, before or alike, recorded, thresholds)


def names(findings: tuple[Finding, ...]) -> dict[str, str]:
    """Findings by name, each with why it withholds, or else how much it weighs."""
    return {f.name: f.cause.value if f.cause else f.weight.value for f in findings}
