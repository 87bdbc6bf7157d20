"""When titration has lasted so long, or gained so little, that the physician is asked: a policy, so that no case waits for ever."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal

from service.rules.check_ins import answers
from service.rules.course import Course
from service.rules.facts import CheckIn, Setting
from service.rules.reason import Reason, say
from service.rules.thresholds import Thresholds


def time_is_up(course: Course, thresholds: Thresholds) -> Reason | None:
    """Why the physician is asked now; None while titration has time and gains, or has not begun."""
    began = began_on(course)
    if began is None:
        return None
    limit = thresholds.titration_days
    if (course.as_of - began).days >= limit.value:
        return say("ready.time-up", weeks=int(limit.value) // 7, since=began)
    if _without_gain(course, began, thresholds):
        needed, least = thresholds.settings_without_gain.value, thresholds.least_gain.value
        return say("ready.no-gain", settings=needed, least=least)
    return None


def time_up_since(course: Course, thresholds: Thresholds) -> date | None:
    """The day since which the physician is asked: when the time was up, or when the last setting was found to gain little."""
    began = began_on(course)
    if began is None:
        return None
    last = began + timedelta(days=int(thresholds.titration_days.value))
    if not _without_gain(course, began, thresholds):
        return last
    told = course.check_ins[-1].moment.day if course.check_ins else last
    return min(last, told)


def began_on(course: Course) -> date | None:
    """The day from which the time of titration counts: the delivery, or the physician's last decision since."""
    if course.appliance is None:
        return None
    decided = [d.moment.day for d in course.decisions]
    return max([course.appliance.delivered_on, *decided])


def _without_gain(course: Course, began: date, thresholds: Thresholds) -> bool:
    """Whether each of the last settings gained too little on the one before it."""
    runs = _runs([s for s in course.settings if s.moment.day >= began])
    needed = int(thresholds.settings_without_gain.value)
    if len(runs) < needed + 1:
        return False
    ends = [start for start, _ in runs[1:]] + [None]
    periods = [
        [c for c in course.all_check_ins if c.moment.day > start and (end is None or c.moment.day <= end)]
        for (start, _), end in zip(runs, ends, strict=True)
    ]
    best = [(_best(p, "snoring", thresholds), _best(p, "epworth_total", thresholds)) for p in periods]
    return all(
        _gained_little(before, after, thresholds)
        for before, after in zip(best[-needed - 1 :], best[-needed:], strict=False)
    )


def _runs(settings: Sequence[Setting]) -> list[tuple[date, Setting]]:
    """The first day of each run of one setting, in order."""
    found: list[tuple[date, Setting]] = []
    for setting in settings:
        if not found or found[-1][1].pair != setting.pair:
            found.append((setting.moment.day, setting))
    return found


def _best(check_ins: Sequence[CheckIn], name: str, thresholds: Thresholds) -> Decimal | None:
    return min((Decimal(a.value) for a in answers(check_ins, name, thresholds)), default=None)


_Best = tuple[Decimal | None, Decimal | None]


def _gained_little(before: _Best, after: _Best, thresholds: Thresholds) -> bool:
    """Whether neither symptom gained enough; nothing is said where neither can be compared."""
    gains = [b - a for b, a in zip(before, after, strict=True) if b is not None and a is not None]
    return bool(gains) and all(gain < thresholds.least_gain.value for gain in gains)
