"""What check-ins tell of wear: on how many of how many nights, and for how long."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.check_ins import WEAR
from service.rules.facts import CheckIn
from service.rules.source import Moment, Source


@dataclass(frozen=True, slots=True)
class WearReport:
    """A report on at least one night. `hours_per_night` is 0 when never worn, None when not told."""

    check_in: CheckIn
    nights_reported: int
    nights_worn: int
    hours_per_night: Decimal | None

    @property
    def sources(self) -> tuple[Source, ...]:
        """The resource versions that tell this wear."""
        return self.check_in.told_by(*WEAR)

    @property
    def day(self) -> date:
        """The day of the report; it speaks of the nights before."""
        return self.check_in.moment.day

    @property
    def share(self) -> Decimal:
        """The share of the nights reported on which the appliance was worn."""
        return Decimal(self.nights_worn) / self.nights_reported


def all_by_sensor(reports: Sequence[WearReport]) -> bool:
    """Whether none of the reports is anybody's own account, which over-reads."""
    return all(r.check_in.reported_by == "sensor" for r in reports)


def wear_reports(check_ins: Iterable[CheckIn]) -> list[WearReport]:
    """The reports that tell on how many of how many nights the appliance was worn, in order of time.

    Of several reporters of one moment a sensor counts, since self-report over-reads; else the one who tells less wear.
    """
    found: dict[Moment, WearReport] = {}
    for check_in in check_ins:
        reported, worn = check_in.nights_reported, check_in.nights_worn
        if reported and worn is not None:
            hours = check_in.hours_per_night if worn else Decimal(0)
            report = WearReport(check_in, reported, worn, hours)
            held = found.get(check_in.moment)
            if held is None or _trust(report) < _trust(held):
                found[check_in.moment] = report
    return [found[moment] for moment in sorted(found)]


def within(reports: Iterable[WearReport], days: int, until: date) -> list[WearReport]:
    """The reports of the `days` days that end with `until`."""
    return [r for r in reports if until - timedelta(days=days) < r.day <= until]


def telling_sleep(reports: Iterable[WearReport]) -> list[WearReport]:
    """The reports that tell both the hours worn and the hours slept."""
    return [r for r in reports if r.hours_per_night is not None and r.check_in.hours_slept_per_night]


def _trust(report: WearReport) -> tuple[bool, Decimal, Decimal, str]:
    hours = report.hours_per_night
    reporter = report.check_in.reported_by
    return (reporter != "sensor", report.share, Decimal("Infinity") if hours is None else hours, reporter)
