"""Which baseline test an efficacy test is judged against: the last one made before the delivery of its appliance."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from service.rules.facts import CaseFacts, Setting
from service.rules.judging.judgement import Judgement, judge
from service.rules.judging.validity import OfficeRecord
from service.rules.kinds import TestKind, TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds


def baseline_before(tests: Iterable[SleepTest], delivered: date | None) -> SleepTest | None:
    """The last baseline test with an index made before a delivery; any, before one is delivered."""
    return _last(t for t in tests if delivered is None or t.day <= delivered)


def late_baseline(tests: Iterable[SleepTest], delivered: date | None) -> SleepTest | None:
    """The last baseline test made after a delivery, which tells nothing of the time before treatment."""
    return _last(t for t in tests if delivered is not None and t.day > delivered)


def judged_tests(
    known: CaseFacts, baseline: SleepTest | None, settings: tuple[Setting, ...], thresholds: Thresholds
) -> tuple[Judgement, ...]:
    """The efficacy tests in order, each judged; `baseline` is that of the appliance in use, `settings` are in order."""
    found: list[Judgement] = []
    delivered = sorted(a.delivered_on for a in known.appliances)
    late = late_baseline(known.sleep_tests, delivered[0] if delivered else None)
    for test in _efficacy_tests(known.sleep_tests):
        worn_since = max((d for d in delivered if d <= test.day), default=None)
        against = baseline_before((t for t in known.sleep_tests if t.day <= test.day), worn_since)
        if against is None and baseline and baseline.day > test.day:
            against = baseline
        night = [s for s in settings if s.moment.day <= test.day]
        recorded = OfficeRecord(
            night[-1].pair if night else None, delivered[0] if delivered else None, late.day if late else None
        )
        found.append(judge(test, against, recorded, thresholds))
    return tuple(found)


def _last(tests: Iterable[SleepTest]) -> SleepTest | None:
    """The last baseline test that reports an index; of two on one day, the higher index."""
    usable = [t for t in tests if t.purpose is TestPurpose.BASELINE and t.index_per_hour is not None and t.index_name]
    return max(usable, key=lambda t: (t.day, t.index_per_hour, t.source), default=None)


def _efficacy_tests(tests: tuple[SleepTest, ...]) -> tuple[SleepTest, ...]:
    """Tests with the appliance, in order. Oximetry alone during titration is a record and no such test."""
    worn = (t for t in tests if t.purpose is TestPurpose.EFFICACY and t.kind is not TestKind.OXIMETRY)
    return tuple(
        sorted(worn, key=lambda t: (t.day, Decimal(-1) if t.index_per_hour is None else t.index_per_hour, t.source))
    )
