"""Readiness criterion about wear, from the check-ins since the onset of the current setting."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.thresholds import Thresholds
from service.rules.wear_reports import WearReport, all_by_sensor, wear_reports
from service.rules.words import count, day, number, percent, quarter_hours

_DAYS_OF_A_YEAR = 365


def worn_enough(course: Course, thresholds: Thresholds) -> Criterion:
    """Nights worn of nights reported, and mean hours, over the check-ins since the onset of the setting.

    Unknown until the check-ins cover enough different nights since the onset. Hours are averaged over the
    nights worn and shown in quarter hours.
    """
    name, title = "worn-enough", "Worn enough"
    needed, share_asked, hours_asked = (
        thresholds.wear_nights_needed,
        thresholds.wear_share,
        thresholds.wear_hours,
    )
    used = (needed, share_asked, hours_asked)
    reports = wear_reports(course.check_ins)
    inputs = tuple(s for r in reports for s in r.sources)
    covered = _nights_covered(course, reports)
    timed = [(r.nights_worn, hours) for r in reports if (hours := r.hours_per_night) is not None]
    worn = sum(r.nights_worn for r in reports)
    reported = sum(r.nights_reported for r in reports)
    timed_nights = sum(nights for nights, _ in timed)
    total_hours = sum((hours * nights for nights, hours in timed), Decimal(0))
    extra = _nights_to_recover(thresholds, worn, reported, total_hours, timed_nights, int(needed.value) - covered)
    earliest = _after_nights(course, reports, extra) if extra else None
    needs = "" if earliest else "the dentist and the patient agree on how it can be worn enough"
    if covered < needed.value or (worn and not timed_nights):
        what = "hours worn per night" if covered >= needed.value else "wear"
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            f"Check-ins since the current setting cover {count(covered, 'night')} by {day(course.as_of)}; wear is judged "
            f"from {number(needed.value)} nights with hours ({needed.cited}).",
            (Measured(Decimal(covered), "d"),),
            used,
            inputs,
            earliest=earliest,
            needs=needs,
            missing=f"{what} over {number(needed.value)} nights since the current setting",
        )
    share = Decimal(worn) / reported
    hours = total_hours / timed_nights if timed_nights else Decimal(0)
    enough = (
        worn >= share_asked.value * reported and total_hours >= hours_asked.value * timed_nights and timed_nights > 0
    )
    sentence = (
        f"Worn on {worn} of {reported} reported nights ({percent(share)}, at least {percent(share_asked.value)} asked) for "
        f"a mean of {number(quarter_hours(hours))} hours (at least {number(hours_asked.value)}), "
        f"{_between(reports)} ({hours_asked.cited}); {'by sensor' if all_by_sensor(reports) else 'self-report over-reads'}."
    )
    observed = (Measured(share, "1"), Measured(quarter_hours(hours), "h"))
    if enough:
        return Criterion(name, title, Status.MET, sentence, observed, used, inputs)
    return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, earliest=earliest, needs=needs)


def _nights_covered(course: Course, reports: Sequence[WearReport]) -> int:
    """Different nights since the onset that the reports speak of; overlapping reports count once."""
    nights: set[date] = set()
    for report in reports:
        for back in range(1, report.nights_reported + 1):
            night = report.check_in.moment.day - timedelta(days=back)
            if course.onset and night >= course.onset:
                nights.add(night)
    return len(nights)


def _nights_to_recover(
    thresholds: Thresholds, worn: int, reported: int, total_hours: Decimal, timed_nights: int, at_least: int
) -> int | None:
    """Nights of full wear that would lift both shares to what is asked; None when a year of them would not."""
    share, hours, full = thresholds.wear_share.value, thresholds.wear_hours.value, thresholds.full_night_hours.value
    for extra in range(max(at_least, 1), _DAYS_OF_A_YEAR):
        often = worn + extra >= share * (reported + extra)
        if often and total_hours + extra * full >= hours * (timed_nights + extra):
            return extra
    return None


def _after_nights(course: Course, reports: Sequence[WearReport], nights: int) -> date:
    """The day by which that many more nights can be reported: counted from the last report, not before tomorrow."""
    start = reports[-1].check_in.moment.day if reports else (course.onset or course.as_of)
    return max(start + timedelta(days=nights), course.as_of + timedelta(days=1))


def _between(reports: Sequence[WearReport]) -> str:
    first, last = reports[0].check_in.moment.day, reports[-1].check_in.moment.day
    return f"on {day(first)}" if first == last else f"in check-ins from {day(first)} to {day(last)}"
