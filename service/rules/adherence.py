"""Adherence by two definitions side by side, and whether wear is falling. Self-report over-reads.

At least 4 hours on at least 70 % of nights (Dieltjens 2013, doi 10.1378/chest.13-0613); at least 80 % of
sleep time on at least 5 nights a week (Radmand 2021, doi 10.15331/jdsm.7204).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.sleep_test import SleepTest
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.wear_reports import WearReport, all_by_sensor, wear_reports, within
from service.rules.words import count, day, number, percent


def adherence(course: Course, thresholds: Thresholds) -> tuple[Criterion, Criterion]:
    """Both definitions over the recent check-ins since the delivery; unknown until they cover enough nights."""
    return (_by_hours(course, thresholds), _by_share_of_sleep(course, thresholds))


def _reports(course: Course) -> list[WearReport]:
    """Check-ins since the delivery that tell on how many of how many nights the appliance was worn."""
    delivered = course.appliance.delivered_on if course.appliance else course.as_of
    return wear_reports(c for c in course.all_check_ins if c.moment.day > delivered)


def _recent(course: Course, thresholds: Thresholds) -> list[WearReport]:
    return within(_reports(course), int(thresholds.wear_recent_days.value), course.as_of)


def _by_hours(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "adherent-by-hours", "Worn long enough on most nights"
    share, hours = thresholds.wear_share, thresholds.wear_hours
    used = (share, hours, thresholds.wear_nights_needed, thresholds.wear_recent_days)
    timed = [(r, worn) for r in _recent(course, thresholds) if (worn := r.hours_per_night) is not None]
    adherent = sum(r.nights_worn for r, worn in timed if worn >= hours.value)
    told = [r for r, _ in timed]
    nights = _nights(told)
    if nights < thresholds.wear_nights_needed.value:
        return _not_enough(name, title, nights, "hours worn", told, thresholds)
    met = adherent >= share.value * nights
    text = (
        f"Worn at least {number(hours.value)} hours on {adherent} of {nights} nights ({percent(Decimal(adherent) / nights)}) "
        f"in the check-ins up to {day(told[-1].day)}, {_by_whom(told)}; at least {percent(share.value)} is adherent "
        f"({share.cited})."
    )
    return _criterion(name, title, met, text, adherent, nights, used, told)


def _by_share_of_sleep(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "adherent-by-share-of-sleep", "Worn for most of sleep on most nights"
    share, asked = thresholds.adherent_sleep_share, thresholds.adherent_nights_of_seven
    used = (share, asked, thresholds.wear_nights_needed, thresholds.wear_recent_days)
    timed = [
        (r, worn, slept)
        for r in _recent(course, thresholds)
        if (worn := r.hours_per_night) is not None and (slept := r.check_in.hours_slept_per_night)
    ]
    adherent = sum(r.nights_worn for r, worn, slept in timed if worn >= share.value * slept)
    told = [r for r, _, _ in timed]
    nights = _nights(told)
    if nights < thresholds.wear_nights_needed.value:
        return _not_enough(name, title, nights, "hours worn and slept", told, thresholds)
    met = adherent * 7 >= asked.value * nights
    text = (
        f"Worn for at least {percent(share.value)} of sleep on {adherent} of {nights} nights in the check-ins up to "
        f"{day(told[-1].day)}, {_by_whom(told)}; at least {number(asked.value)} nights a week are adherent "
        f"({asked.cited})."
    )
    return _criterion(name, title, met, text, adherent, nights, used, told)


def _by_whom(told: Sequence[WearReport]) -> str:
    own = "by the patient's own report, which over-reads by about 30 minutes a night"
    return "by sensor" if all_by_sensor(told) else own


def wear_falling(course: Course, thresholds: Thresholds) -> Criterion:
    """Attention when the share of nights worn fell much: recent check-ins against those up to the last efficacy test.

    Wear around the test is what its result stands for. Without a test with this appliance the recent check-ins are
    compared with as many days before them.
    """
    name, title, limit = "wear-falling", "Wear falling", thresholds.wear_fall_share
    needed, window = thresholds.wear_nights_needed, thresholds.wear_recent_days
    used = (limit, window, needed)
    days, reports, test = int(window.value), _reports(course), _last_test(course)
    recent = [r for r in within(reports, days, course.as_of) if test is None or r.day > test.day]
    before = within(reports, days, test.day if test else course.as_of - timedelta(days=days))
    nights_before, nights_now = _nights(before), _nights(recent)
    inputs = (*(test.sources if test else ()), *(s for r in (*before, *recent) for s in r.sources))
    until = f"up to the efficacy test of {day(test.day)}" if test else "before that"
    if min(nights_before, nights_now) < needed.value:
        text = (
            f"Whether wear is falling is not known: fewer than {number(needed.value)} nights are reported lately, or in the "
            f"{number(window.value)} days {until}."
        )
        return Criterion(
            name, title, Status.UNKNOWN, text, (), used, inputs, missing="earlier and recent reports of wear"
        )
    then, now = _share(before, nights_before), _share(recent, nights_now)
    falling = then - now >= limit.value
    text = (
        f"Worn on {percent(now)} of nights in the check-ins since {day(recent[0].day)}, against {percent(then)} in the "
        f"{number(window.value)} days {until}; a fall of {percent(limit.value)} or more sends the patient back ({limit.cited})."
    )
    status = Status.ATTENTION if falling else Status.MET
    return Criterion(name, title, status, text, (Measured(now, "1"), Measured(then, "1")), used, inputs)


def _last_test(course: Course) -> SleepTest | None:
    """The last efficacy test made with the appliance in use now."""
    delivered = course.appliance.delivered_on if course.appliance else date.max
    tests = [t for t in course.efficacy_tests if t.appliance_worn and t.day >= delivered]
    return tests[-1] if tests else None


def _nights(reports: Sequence[WearReport]) -> int:
    return sum(r.nights_reported for r in reports)


def _share(reports: Sequence[WearReport], nights: int) -> Decimal:
    return Decimal(sum(r.nights_worn for r in reports)) / nights


def _criterion(
    name: str,
    title: str,
    met: bool,
    text: str,
    adherent: int,
    nights: int,
    used: tuple[Threshold, ...],
    told: Sequence[WearReport],
) -> Criterion:
    observed = (Measured(Decimal(adherent), "d"), Measured(Decimal(nights), "d"))
    status = Status.MET if met else Status.UNMET
    return Criterion(name, title, status, text, observed, used, tuple(s for r in told for s in r.sources))


def _not_enough(
    name: str, title: str, nights: int, what: str, told: Sequence[WearReport], thresholds: Thresholds
) -> Criterion:
    needed, window = thresholds.wear_nights_needed, thresholds.wear_recent_days
    text = (
        f"The check-ins of the last {number(window.value)} days tell {what} for {count(nights, 'night')}; adherence is judged "
        f"from {number(needed.value)} ({needed.cited})."
    )
    inputs = tuple(s for r in told for s in r.sources)
    missing = f"{what} over {number(needed.value)} recent nights"
    return Criterion(name, title, Status.UNKNOWN, text, (), (needed, window), inputs, missing=missing)
