"""Adherence by two definitions side by side, and whether wear is falling. Self-report over-reads.

At least 4 hours on at least 70 % of nights (Dieltjens 2013, doi 10.1378/chest.13-0613); at least 80 % of
sleep time on at least 5 nights a week (Radmand 2021, doi 10.15331/jdsm.7204).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

from service.rules.course import Course
from service.rules.criteria_of_wear import exact
from service.rules.decision import Criterion, Measured, Status
from service.rules.ledger import Night
from service.rules.reason import say
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import number, percent, rounded


def adherence(course: Course, thresholds: Thresholds) -> tuple[Criterion, Criterion]:
    """Both definitions over the recent nights since the delivery; unknown until enough nights are told."""
    return (_by_hours(course, thresholds), _by_share_of_sleep(course, thresholds))


def _recent(course: Course, thresholds: Thresholds) -> tuple[Night, ...]:
    delivered = course.appliance.delivered_on if course.appliance else course.as_of
    return course.ledger.recent(delivered, course.as_of, int(thresholds.wear_recent_days.value))


def _by_hours(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "adherent-by-hours", "Worn long enough on most nights"
    share, hours = thresholds.wear_share, thresholds.wear_hours
    used = (share, hours, thresholds.wear_nights_needed, thresholds.wear_recent_days)
    told = [n for n in _recent(course, thresholds) if n.hours is not None]
    if len(told) < thresholds.wear_nights_needed.value:
        return _not_enough(name, title, "hours worn", told, thresholds)
    worn = sum((n.worn for n in told if (n.hours or 0) >= hours.value), Fraction(0))
    met = worn >= Fraction(share.value) * len(told)
    shown = percent(exact(worn / len(told)), share.value)
    values = {"hours": hours.value, "worn": _nights(worn), "known": len(told), "share": shown, "by": _by_whom(told)}
    return _criterion(name, title, met, say("adherence.hours", **values), worn, used, told)


def _by_share_of_sleep(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "adherent-by-share-of-sleep", "Worn for most of sleep on most nights"
    share, asked = thresholds.adherent_sleep_share, thresholds.adherent_nights_of_seven
    used = (share, asked, thresholds.wear_nights_needed, thresholds.wear_recent_days)
    told = [n for n in _recent(course, thresholds) if n.hours is not None and n.slept]
    if len(told) < thresholds.wear_nights_needed.value:
        return _not_enough(name, title, "hours worn and slept", told, thresholds)
    worn = sum((n.worn for n in told if (n.hours or 0) >= share.value * (n.slept or 0)), Fraction(0))
    met = worn * 7 >= Fraction(asked.value) * len(told)
    values = {"share": percent(share.value), "worn": _nights(worn), "known": len(told), "by": _by_whom(told)}
    return _criterion(name, title, met, say("adherence.sleep", **values), worn, used, told)


def _nights(worn: Fraction) -> str:
    return number(rounded(exact(worn), "0.1"))


def _by_whom(told: Sequence[Night]) -> str:
    by_sensor = all(n.by_sensor for n in told)
    return "by sensor" if by_sensor else "told by people, give or take half an hour a night"


def wear_falling(course: Course, thresholds: Thresholds) -> Criterion:
    """Attention when the share of nights worn fell much: recent nights against those up to the last efficacy test.

    Wear around the test is what its result stands for. Without a test with this appliance the recent nights are
    compared with as many days before them.
    """
    name, title, limit = "wear-falling", "Wear falling", thresholds.wear_fall_share
    needed, window = thresholds.wear_nights_needed, thresholds.wear_recent_days
    used, days, test = (limit, window, needed), int(window.value), _last_test(course)
    delivered = course.appliance.delivered_on if course.appliance else course.as_of
    since = max(delivered, test.day) if test else delivered
    recent = course.ledger.recent(since, course.as_of, days)
    before = course.ledger.recent(delivered, test.day if test else course.as_of - timedelta(days=days), days)
    inputs = _inputs((*before, *recent), test.sources if test else ())
    until = say("adherence.until-test", on=test.day) if test else "before that"
    told = {"window": window.value, "until": until}
    if min(len(recent), len(before)) < needed.value:
        sentence = say("adherence.not-known", needed=needed.value, **told)
        missing = "earlier and recent reports of wear"
        return Criterion(name, title, Status.UNKNOWN, sentence, (), used, inputs, missing=missing)
    then, now = _share(before), _share(recent)
    sentence = say("adherence.falling", now=percent(now), before=percent(then), **told)
    status = Status.ATTENTION if then - now >= limit.value else Status.MET
    return Criterion(name, title, status, sentence, (Measured(now, "1"), Measured(then, "1")), used, inputs)


def _last_test(course: Course) -> SleepTest | None:
    """The last efficacy test made with the appliance in use now."""
    delivered = course.appliance.delivered_on if course.appliance else date.max
    tests = [j.test for j in course.judged if j.test.appliance_worn and j.test.day >= delivered]
    return tests[-1] if tests else None


def _share(nights: Sequence[Night]) -> Decimal:
    return exact(sum((n.worn for n in nights), Fraction(0)) / len(nights))


def _inputs(nights: Sequence[Night], besides: Sequence[Source] = ()) -> tuple[Source, ...]:
    return tuple(sorted({*besides, *(s for n in nights for s in n.sources)}))


def _criterion(
    name: str,
    title: str,
    met: bool,
    text: str,
    worn: Fraction,
    used: tuple[Threshold, ...],
    told: Sequence[Night],
) -> Criterion:
    observed = (Measured(rounded(exact(worn), "0.01"), "d"), Measured(Decimal(len(told)), "d"))
    status = Status.MET if met else Status.UNMET
    return Criterion(name, title, status, text, observed, used, _inputs(told))


def _not_enough(name: str, title: str, what: str, told: Sequence[Night], thresholds: Thresholds) -> Criterion:
    needed, window = thresholds.wear_nights_needed, thresholds.wear_recent_days
    values = {"what": what.capitalize(), "known": len(told), "window": window.value, "needed": needed.value}
    missing = f"{what} over {number(needed.value)} recent nights"
    sentence = say("adherence.too-few", **values)
    return Criterion(name, title, Status.UNKNOWN, sentence, (), (needed, window), _inputs(told), missing=missing)
