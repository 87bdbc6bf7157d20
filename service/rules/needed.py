"""Which facts decisions can still depend on, so that a long course is decided as fast as a short one.

Most check-ins stop mattering: the rules read the last of them, windows of some weeks, and what was told about the days
on which something else happened. Everything is kept by whole days, because what one reporter told of one moment, and
what several told of one day, counts together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta

from service.rules.check_ins import SYMPTOMS
from service.rules.course import Course, course_on
from service.rules.facts import CaseFacts, CheckIn
from service.rules.thresholds import Thresholds
from service.rules.time_up import began_on
from service.rules.triggers import physician_acted_on

_DAY = timedelta(days=1)
LOOKED_BACK_DAYS = 90
"""How far back decisions ask since when something has been so."""
_LAST_TOLD = (*SYMPTOMS, "weight_kg", "who_could_hear", "driving")


def needed(facts: CaseFacts, thresholds: Thresholds, as_of: date) -> CaseFacts:
    """The facts that decisions of `as_of` and of later days can depend on, also when facts of those days are added.

    Only check-ins are many; everything else stays as it is. Epworth totals stay all, since a new one is compared with all
    of them, and new conditions stay all.
    """
    eve = as_of - _DAY
    course = course_on(facts, eve, thresholds)
    days = _check_in_days(facts, course, thresholds)
    return replace(facts, check_ins=tuple(c for c in facts.check_ins if c.moment.day >= as_of or c.moment.day in days))


def _check_in_days(facts: CaseFacts, eve: Course, thresholds: Thresholds) -> set[date]:
    """The days up to the eve whose check-ins are needed.

    They are read as of the eve and the days before it, as of each efficacy test, of the first delivery, and of the last
    day on which the physician acted; besides, the first weight, and the weeks in which settings are compared.
    """
    told = [c for c in facts.check_ins if c.moment.day <= eve.as_of]
    acted = physician_acted_on(eve.known)
    anchors = {eve.as_of, eve.delivered or eve.as_of, *(j.test.day for j in eve.judged)}
    anchors |= {acted, acted - _DAY} if acted else set()
    found = {day for until in anchors for day in _read_on(told, until, thresholds)}
    found |= {c.moment.day for c in told if c.epworth_total is not None or c.health_changes}
    found |= set(sorted({c.moment.day for c in told if c.weight_kg})[:1])
    began = began_on(eve)
    if began:
        until = began + timedelta(days=int(thresholds.titration_days.value) + LOOKED_BACK_DAYS)
        found |= {c.moment.day for c in told if began < c.moment.day <= until}
    return found


def _read_on(told: Iterable[CheckIn], until: date, thresholds: Thresholds) -> set[date]:
    """The days whose check-ins a decision of `until` can read: recent ones, and the last that tell each field."""
    upto = [c for c in told if c.moment.day <= until]
    weeks = 2 * int(thresholds.wear_recent_days.value) + 31
    since = until - timedelta(days=max(weeks, int(thresholds.check_in_fresh_days.value)) + LOOKED_BACK_DAYS)
    found = {c.moment.day for c in upto if c.moment.day >= since}
    found |= set(sorted({c.moment.day for c in upto})[-1:])
    for name in _LAST_TOLD:
        telling = {c.moment.day for c in upto if getattr(c, name) not in (None, ())}
        found |= set(sorted(telling)[-int(thresholds.check_ins_needed.value) :])
    return found
