"""Which facts decisions can still depend on, so that a long course is decided as fast as a short one.

Most check-ins stop mattering: the rules read the last of them, windows of some weeks, and what was told about the days
on which something else happened. Everything is kept by whole days, because what one reporter told of one moment, and
what several told of one day, counts together.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import date, timedelta

from service.rules.check_ins import SYMPTOMS, joined_check_ins
from service.rules.course import Course, course_on
from service.rules.criteria_of_wear import wear_window
from service.rules.facts import CaseFacts, CheckIn, RedFlag, Setting, SideEffect
from service.rules.thresholds import Thresholds
from service.rules.triggers import physician_acted_on
from service.rules.wear_reports import WearReport, telling_sleep, wear_reports

_DAY = timedelta(days=1)


def needed(facts: CaseFacts, thresholds: Thresholds, as_of: date) -> CaseFacts:
    """The facts that decisions of `as_of` and of later days can depend on, also when facts of those days are added.

    Referral, assessments, appliances, tests, orders, decisions and visits are few by nature and stay as they are.
    """
    eve = as_of - _DAY
    course = course_on(facts, eve)
    acted = physician_acted_on(course.known)
    known_then = (acted - _DAY,) if acted else ()
    when_set = (course.onset, course.onset - _DAY) if course.onset else ()
    settings = {*course.run, *((course.previous,) if course.previous else ()), *_last_told(facts.settings, eve)}
    days = _check_in_days(facts, course, thresholds, (acted, *known_then) if acted else ())
    effects = _last_of_each_kind(facts.side_effects, (eve, *when_set))
    flags = _last_of_each_kind(facts.red_flags, (eve, *known_then))
    return replace(
        facts,
        settings=tuple(s for s in facts.settings if s.moment.day >= as_of or s in settings),
        check_ins=tuple(c for c in facts.check_ins if c.moment.day >= as_of or c.moment.day in days),
        side_effects=tuple(e for e in facts.side_effects if e.moment.day >= as_of or e in effects),
        red_flags=tuple(f for f in facts.red_flags if f.moment.day >= as_of or f in flags),
    )


def _last_told(settings: Iterable[Setting], day: date) -> list[Setting]:
    """The last setting told, also one of an earlier appliance: a report of any kind shows that the patient is not lost."""
    return sorted((s for s in settings if s.moment.day <= day), key=lambda s: (s.moment, s.source))[-1:]


def _last_of_each_kind(reports: Iterable[SideEffect | RedFlag], days: Iterable[date]) -> set[SideEffect | RedFlag]:
    """The reports of the last moment of each kind as known on each of `days`: of one moment content decides, by the day."""
    found: set[SideEffect | RedFlag] = set()
    for day in days:
        last: dict[str, list[SideEffect | RedFlag]] = {}
        for report in (r for r in reports if r.moment.day <= day):
            held = last.get(report.kind)
            if held is None or report.moment > held[0].moment:
                last[report.kind] = [report]
            elif report.moment == held[0].moment:
                held.append(report)
        found.update(r for held in last.values() for r in held)
    return found


def _check_in_days(
    facts: CaseFacts, eve: Course, thresholds: Thresholds, physician_days: Collection[date]
) -> set[date]:
    """The days up to the eve whose check-ins are needed.

    They are read as of the eve, as of each efficacy test, of the first delivery, and of the last day on which the
    physician acted; besides, the first weight, and the reports that wear is counted back from.
    """
    told = [c for c in facts.check_ins if c.moment.day <= eve.as_of]
    delivered = min((a.delivered_on for a in facts.appliances if a.delivered_on <= eve.as_of), default=eve.as_of)
    anchors = {eve.as_of, delivered, *physician_days, *(t.day for t in eve.efficacy_tests)}
    found = {day for until in anchors for day in _read_on(told, until, thresholds)}
    found |= set(sorted({c.moment.day for c in told if c.weight_kg})[:1])
    reports = wear_reports(joined_check_ins(told))
    return found | _counted_back(reports, thresholds) | _counted_back(telling_sleep(reports), thresholds)


def _read_on(told: Iterable[CheckIn], until: date, thresholds: Thresholds) -> set[date]:
    """The days whose check-ins a decision of `until` can read: recent ones, and the last that tell each field."""
    upto = [c for c in told if c.moment.day <= until]
    twice = 2 * int(thresholds.wear_recent_days.value)
    since = until - timedelta(days=max(twice, int(thresholds.check_in_fresh_days.value)))
    found = {c.moment.day for c in upto if c.moment.day >= since}
    found |= set(sorted({c.moment.day for c in upto})[-1:])
    for name in (*SYMPTOMS, "weight_kg"):
        telling = {c.moment.day for c in upto if getattr(c, name) is not None}
        found |= set(sorted(telling)[-int(thresholds.check_ins_needed.value) :])
    return found


def _counted_back(reports: list[WearReport], thresholds: Thresholds) -> set[date]:
    """The days of the reports that count together with the last one."""
    if not reports:
        return set()
    since = reports[-1].day - timedelta(days=int(wear_window(thresholds).value))
    return {r.day for r in reports if r.day >= since}
