"""Readiness criterion about wear, from the recent check-ins since the onset of the current setting.

How the appliance is worn now says more about the night of the test than how it was worn months ago, so only the
reports of some weeks up to the last one count. They are counted back from the last report, not from the day of the
decision: a date that was promised does not slide while nobody reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.wear_reports import WearReport, all_by_sensor, wear_reports, within
from service.rules.words import count, day, number, percent, quarter_hours


@dataclass(frozen=True, slots=True)
class _Told:
    """What reports tell together: nights covered once each, nights reported and worn, nights with hours, their hours."""

    covered: int
    reported: int
    worn: int
    timed: int
    hours: Decimal

    def after(self, nights: int, full_night_hours: Decimal) -> _Told:
        """What they tell with that many nights of full wear on top."""
        return _Told(
            self.covered + nights,
            self.reported + nights,
            self.worn + nights,
            self.timed + nights,
            self.hours + nights * full_night_hours,
        )


def wear_window(thresholds: Thresholds) -> Threshold:
    """The days whose reports count: the recent ones, and never fewer than the nights that are asked."""
    return max(thresholds.wear_recent_days, thresholds.wear_nights_needed, key=lambda t: t.value)


def worn_enough(course: Course, thresholds: Thresholds) -> Criterion:
    """Nights worn of nights reported, and mean hours, over the recent check-ins since the onset of the setting.

    Unknown until they cover enough different nights since the onset. Hours are averaged over the nights worn and
    shown in quarter hours.
    """
    name, title = "worn-enough", "Worn enough"
    needed, share_asked, hours_asked = (
        thresholds.wear_nights_needed,
        thresholds.wear_share,
        thresholds.wear_hours,
    )
    window = wear_window(thresholds)
    used = (needed, share_asked, hours_asked, thresholds.wear_recent_days)
    since = wear_reports(course.check_ins)
    reports = within(since, int(window.value), since[-1].day) if since else []
    inputs = tuple(s for r in reports for s in r.sources)
    told = _together(course, reports)
    status = _status(told, thresholds)
    earliest = None if status is Status.MET else _earliest(course, reports, thresholds)
    needs = "" if earliest or status is Status.MET else "the dentist and the patient agree on how it can be worn enough"
    counted = f"the reports of the {number(window.value)} days up to the last one count ({window.cited})"
    if status is Status.UNKNOWN:
        what = "hours worn per night" if told.covered >= needed.value else "wear"
        return Criterion(
            name,
            title,
            status,
            f"Check-ins since the current setting cover {count(told.covered, 'night')} by {day(course.as_of)}; wear is judged "
            f"from {number(needed.value)} nights with hours ({needed.cited}), and {counted}.",
            (Measured(Decimal(told.covered), "d"),),
            used,
            inputs,
            earliest=earliest,
            needs=needs,
            missing=f"{what} over {number(needed.value)} nights since the current setting",
        )
    share = Decimal(told.worn) / told.reported
    hours = told.hours / told.timed if told.timed else Decimal(0)
    sentence = (
        f"Worn on {told.worn} of {told.reported} reported nights ({percent(share)}, at least {percent(share_asked.value)} asked) "
        f"for a mean of {number(quarter_hours(hours))} hours (at least {number(hours_asked.value)}), "
        f"{_between(reports)} ({hours_asked.cited}); {counted}; "
        f"{'by sensor' if all_by_sensor(reports) else 'self-report over-reads'}."
    )
    observed = (Measured(share, "1"), Measured(quarter_hours(hours), "h"))
    return Criterion(name, title, status, sentence, observed, used, inputs, earliest=earliest, needs=needs)


def _together(course: Course, reports: Sequence[WearReport]) -> _Told:
    timed = [(r.nights_worn, hours) for r in reports if (hours := r.hours_per_night) is not None]
    return _Told(
        _nights_covered(course, reports),
        sum(r.nights_reported for r in reports),
        sum(r.nights_worn for r in reports),
        sum(nights for nights, _ in timed),
        sum((hours * nights for nights, hours in timed), Decimal(0)),
    )


def _status(told: _Told, thresholds: Thresholds) -> Status:
    if told.covered < thresholds.wear_nights_needed.value or (told.worn and not told.timed):
        return Status.UNKNOWN
    often = told.worn >= thresholds.wear_share.value * told.reported
    long = told.hours >= thresholds.wear_hours.value * told.timed
    return Status.MET if often and long else Status.UNMET


def _nights_covered(course: Course, reports: Sequence[WearReport]) -> int:
    """Different nights since the onset that the reports speak of; overlapping reports count once."""
    nights: set[date] = set()
    for report in reports:
        for back in range(1, report.nights_reported + 1):
            night = report.day - timedelta(days=back)
            if course.onset and night >= course.onset:
                nights.add(night)
    return len(nights)


def _earliest(course: Course, reports: Sequence[WearReport], thresholds: Thresholds) -> date | None:
    """The first day, not before tomorrow, from which wear is enough and stays so with full nights from the last report on.

    Old reports leave the window as new nights come in, good ones among them, so the days are tried from the end: by
    then only new nights count. None when full nights are not enough.
    """
    start = reports[-1].day if reports else (course.onset or course.as_of)
    days = int(wear_window(thresholds).value)
    soonest = max((course.as_of - start).days, 0) + 1
    found = None
    for nights in range(max(days, soonest), soonest - 1, -1):
        until = start + timedelta(days=nights)
        left = _together(course, within(reports, days, until))
        if _status(left.after(nights, thresholds.full_night_hours.value), thresholds) is not Status.MET:
            break
        found = until
    return found


def _between(reports: Sequence[WearReport]) -> str:
    first, last = reports[0].day, reports[-1].day
    return f"on {day(first)}" if first == last else f"in check-ins from {day(first)} to {day(last)}"
