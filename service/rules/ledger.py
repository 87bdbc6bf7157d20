"""The ledger of nights: one row a night, whoever told of it, so that no night counts twice.

A night is its evening's date; a check-in covers the nights before its day. A sensor counts before what anybody tells, one
night told before a summary, and of overlapping summaries the lower. Nights between a sensor's first and last that it did
not record stay unknown. All of it is policy; self-report errs by about half an hour a night, in either direction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from math import lcm

from service.rules.check_ins import SENSOR, WEAR
from service.rules.facts import CheckIn
from service.rules.source import Source
from service.rules.thresholds import Thresholds

_DAY = timedelta(days=1)
PARTS = lcm(*range(1, 32))
"""What a night is divided into, so that k of n nights, n up to a month, is a whole number of parts for each of them."""


@dataclass(frozen=True, slots=True)
class Night:
    """One night: how much of it was worn in `PARTS` (all, none, or k/n of a summary), hours on nights worn, hours slept.

    `single` says that it was told by itself, so that its hours are no mean. Hours are None where untold.
    """

    evening: date
    parts: int
    hours: Decimal | None
    slept: Decimal | None
    by_sensor: bool
    single: bool
    sources: tuple[Source, ...]

    @property
    def worn(self) -> Fraction:
        """The share of the night worn, 0 to 1."""
        return Fraction(self.parts, PARTS)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two reports that cannot both hold, and by how many nights."""

    first: date
    second: date
    nights: int


@dataclass(frozen=True, slots=True)
class Ledger:
    """The reports of wear that count, those that are asked about and not counted, and what they come to night by night."""

    reports: tuple[CheckIn, ...]
    not_counted: tuple[CheckIn, ...]
    sensed: tuple[date, date] | None
    _made: dict[tuple[date, date], tuple[Night, ...]] = field(
        default_factory=dict[tuple[date, date], tuple[Night, ...]], compare=False, repr=False
    )

    @property
    def nights(self) -> tuple[Night, ...]:
        """Every night known, in order."""
        return self.between(date.min, date.max)

    def between(self, first: date, last: date) -> tuple[Night, ...]:
        """The nights known of an evening from `first` to `last`, both included."""
        held = self._made.get((first, last))
        if held is None:
            held = self._made[first, last] = self._nights(first, last)
        return held

    def recent(self, since: date, as_of: date, days: int) -> tuple[Night, ...]:
        """The nights since an evening, at most the last `days` before the day `as_of`."""
        return self.between(max(since, as_of - timedelta(days=days)), as_of - _DAY)

    def contradictions(self, since: date, thresholds: Thresholds) -> tuple[Contradiction, ...]:
        """Pairs of reports of a day from `since` on whose counts cannot both hold for the nights that both cover."""
        late = [r for r in self.reports if r.moment.day >= since]
        found = (Contradiction(a.moment.day, b.moment.day, _apart(a, b)) for a, b in _overlapping(late))
        return tuple(c for c in found if c.nights > thresholds.wear_contradiction_nights.value)

    def _nights(self, first: date, last: date) -> tuple[Night, ...]:
        rows: dict[date, Night] = {}
        for report in self.reports:
            if report.moment.day <= first or _first(report) > last:
                continue
            for night in _nights_of(report, first, last):
                held = rows.get(night.evening)
                if held is None or _trust(night) < _trust(held):
                    rows[night.evening] = night
        return tuple(rows[evening] for evening in sorted(rows) if rows[evening].by_sensor or not self._in_gap(evening))

    def _in_gap(self, evening: date) -> bool:
        """Whether a night lies between a sensor's first and last: what it did not record stays unknown."""
        return self.sensed is not None and self.sensed[0] < evening < self.sensed[1]


def ledger_of(check_ins: Iterable[CheckIn], delivered: date | None) -> Ledger:
    """The ledger since a delivery, from joined check-ins; empty without one."""
    reports = [c for c in check_ins if c.nights_reported and c.nights_worn is not None] if delivered else []
    counted: list[CheckIn] = []
    not_counted: list[CheckIn] = []
    for report in reports:
        possible = delivered is not None and _first(report) >= delivered
        (counted if possible else not_counted).append(report)
    sensed = [c for c in counted if c.reported_by == SENSOR]
    span = (min(_first(c) for c in sensed), max(c.moment.day - _DAY for c in sensed)) if sensed else None
    return Ledger(tuple(counted), tuple(not_counted), span)


def _first(report: CheckIn) -> date:
    """The evening of the first night that a report covers."""
    return report.moment.day - timedelta(days=report.nights_reported or 0)


def _nights_of(report: CheckIn, first: date, last: date) -> Iterator[Night]:
    reported, worn = report.nights_reported or 0, report.nights_worn or 0
    parts = worn * PARTS // reported
    hours = report.hours_per_night if worn else Decimal(0)
    slept, by_sensor, single = report.hours_slept_per_night, report.reported_by == SENSOR, reported == 1
    sources = report.told_by(*WEAR)
    evening = max(_first(report), first)
    end = min(report.moment.day - _DAY, last)
    while evening <= end:
        yield Night(evening, parts, hours, slept, by_sensor, single, sources)
        evening += _DAY


def _trust(night: Night) -> tuple[bool, bool, int, Decimal, tuple[Source, ...]]:
    hours = Decimal("Infinity") if night.hours is None else night.hours
    return (not night.by_sensor, not night.single, night.parts, hours, night.sources)


def _overlapping(reports: Sequence[CheckIn]) -> Iterator[tuple[CheckIn, CheckIn]]:
    for index, one in enumerate(reports):
        for other in reports[index + 1 :]:
            if _first(other) < one.moment.day and _first(one) < other.moment.day:
                yield one, other


def _apart(one: CheckIn, other: CheckIn) -> int:
    """By how many nights two reports differ at least over the nights that both cover; 0 when both can hold."""
    both = (min(one.moment.day, other.moment.day) - max(_first(one), _first(other))).days
    (low, high), (other_low, other_high) = _possible(one, both), _possible(other, both)
    return max(low - other_high, other_low - high, 0)


def _possible(report: CheckIn, shared: int) -> tuple[int, int]:
    """The fewest and the most nights worn of the shared ones that a report allows."""
    worn, reported = report.nights_worn or 0, report.nights_reported or 0
    return max(0, worn - (reported - shared)), min(worn, shared)
