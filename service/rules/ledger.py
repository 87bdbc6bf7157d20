"""The ledger of nights: one row a night, whoever told of it, so that no night counts twice.

A night is its evening's date; a check-in covers the nights before its day. A sensor counts before what anybody tells, one
night told before a summary, and of overlapping summaries the lower. Nights between a sensor's first and last that it did
not record stay unknown. All of it is policy; self-report errs by about half an hour a night, in either direction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

from service.rules.check_ins import SENSOR, WEAR
from service.rules.facts import CheckIn
from service.rules.source import Source
from service.rules.thresholds import Thresholds

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Night:
    """One night: the share of it worn (1 or 0, or k/n of a summary), hours on nights worn, hours slept; None untold.

    `single` says that it was told by itself, so that its hours are no mean.
    """

    evening: date
    worn: Fraction
    hours: Decimal | None
    slept: Decimal | None
    by_sensor: bool
    single: bool
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two reports that cannot both hold, and by how many nights."""

    first: date
    second: date
    nights: int


@dataclass(frozen=True, slots=True)
class Ledger:
    """The nights known, in order; reports that contradict each other; reports that are asked about and not counted."""

    nights: tuple[Night, ...]
    contradictions: tuple[Contradiction, ...]
    not_counted: tuple[CheckIn, ...]

    def between(self, first: date, last: date) -> tuple[Night, ...]:
        """The nights of an evening from `first` to `last`, both included."""
        return tuple(n for n in self.nights if first <= n.evening <= last)

    def recent(self, since: date, as_of: date, days: int) -> tuple[Night, ...]:
        """The nights since an evening, at most the last `days` before the day `as_of`."""
        return self.between(max(since, as_of - timedelta(days=days)), as_of - _DAY)


def ledger_of(check_ins: Iterable[CheckIn], delivered: date | None, thresholds: Thresholds) -> Ledger:
    """The ledger since a delivery, from joined check-ins; empty without one."""
    reports = [c for c in check_ins if c.nights_reported and c.nights_worn is not None]
    if delivered is None:
        return Ledger((), (), ())
    possible = [c for c in reports if (c.moment.day - delivered).days >= (c.nights_reported or 0)]
    rows: dict[date, Night] = {}
    for report in possible:
        for night in _nights(report):
            held = rows.get(night.evening)
            if held is None or _trust(night) < _trust(held):
                rows[night.evening] = night
    sensed = sorted(evening for evening, night in rows.items() if night.by_sensor)
    kept = (n for e, n in sorted(rows.items()) if n.by_sensor or not (sensed and sensed[0] < e < sensed[-1]))
    wrong = tuple(c for c in reports if c not in possible)
    return Ledger(tuple(kept), _contradictions(possible, thresholds), wrong)


def _nights(report: CheckIn) -> list[Night]:
    reported, worn = report.nights_reported or 0, report.nights_worn or 0
    share = Fraction(worn, reported)
    hours = report.hours_per_night if worn else Decimal(0)
    by_sensor, sources = report.reported_by == SENSOR, report.told_by(*WEAR)
    return [
        Night(
            report.moment.day - back * _DAY,
            share,
            hours,
            report.hours_slept_per_night,
            by_sensor,
            reported == 1,
            sources,
        )
        for back in range(1, reported + 1)
    ]


def _trust(night: Night) -> tuple[bool, bool, Fraction, Decimal, tuple[Source, ...]]:
    hours = Decimal("Infinity") if night.hours is None else night.hours
    return (not night.by_sensor, not night.single, night.worn, hours, night.sources)


def _contradictions(reports: Sequence[CheckIn], thresholds: Thresholds) -> tuple[Contradiction, ...]:
    """Pairs of reports whose counts cannot both hold for the nights that both cover."""
    found: list[Contradiction] = []
    for index, one in enumerate(reports):
        for other in reports[index + 1 :]:
            apart = _apart(one, other)
            if apart > thresholds.wear_contradiction_nights.value:
                found.append(Contradiction(one.moment.day, other.moment.day, apart))
    return tuple(found)


def _apart(one: CheckIn, other: CheckIn) -> int:
    """By how many nights two reports differ at least over the nights that both cover; 0 when both can hold."""
    first = max(c.moment.day - (c.nights_reported or 0) * _DAY for c in (one, other))
    both = (min(one.moment.day, other.moment.day) - first).days
    if both <= 0:
        return 0
    (low, high), (other_low, other_high) = _possible(one, both), _possible(other, both)
    return max(low - other_high, other_low - high, 0)


def _possible(report: CheckIn, shared: int) -> tuple[int, int]:
    """The fewest and the most nights worn of the shared ones that a report allows."""
    worn, reported = report.nights_worn or 0, report.nights_reported or 0
    return max(0, worn - (reported - shared)), min(worn, shared)
