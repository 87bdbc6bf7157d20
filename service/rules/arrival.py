"""What is refused on arrival: facts that cannot be true of this case, and cases outside scope; and what is only said.

The same on every path, file and server. A re-measurement or a late fact that makes a recorded setting impossible is
accepted and becomes the dentist's question (`geometry_questions`), so that the order of arrival changes no answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from service.rules.course import Course, course_on
from service.rules.facts import Appliance, CaseFacts, CheckIn, DentalAssessment, RedFlag, RedFlagClosure, Setting
from service.rules.reason import Reason, say
from service.rules.red_flags import letters_in, why_not_closed
from service.rules.room import percent_of_range, range_and_start
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from service.rules.words import day, number, rounded, spoken


def why_setting_refused(facts: CaseFacts, setting: Setting, thresholds: Thresholds) -> Reason | None:
    """Why a new setting cannot be, given the appliance and the range of that day; None when it can."""
    course = course_on(facts, setting.moment.day, thresholds)
    appliance, further = course.appliance, max(setting.pair)
    if appliance is None:
        return say("geometry.before-delivery", on=setting.moment.day)
    return _beyond(course, further)


def _beyond(course: Course, further: Decimal) -> Reason | None:
    appliance = course.appliance
    assert appliance
    limit = appliance.maximum_advance_mm
    if limit is not None and further > limit:
        return say("geometry.beyond-appliance", further=further, limit=limit, on=appliance.delivered_on)
    share = percent_of_range(course, further)
    if share is not None and share > 100:
        return say("geometry.beyond-range", further=further, percent=rounded(share, "1"), **_lengths(course))
    return None


def why_tested_refused(facts: CaseFacts, test: SleepTest, thresholds: Thresholds) -> Reason | None:
    """Why the setting that a test tells cannot be, with the appliance of that night; None when it can, or none is told."""
    left, right = test.setting_left_mm, test.setting_right_mm
    if left is None or right is None:
        return None
    course = course_on(facts, test.day, thresholds)
    return None if course.appliance is None else _beyond(course, max(left, right))


def why_start_refused(
    facts: CaseFacts, measured: Appliance | DentalAssessment, thresholds: Thresholds
) -> Reason | None:
    """Why a new measurement cannot be: a starting position beyond the protrusive range; None when it can."""
    on = measured.delivered_on if isinstance(measured, Appliance) else measured.moment.day
    course = course_on(facts, max(on, _last_measured(facts)), thresholds)
    lengths = _lengths(course)
    if not lengths or lengths["start"] <= lengths["range"]:
        return None
    return say("geometry.start-beyond-range", **lengths)


def why_closure_refused(closed: RedFlag | RedFlagClosure) -> Reason | None:
    """Why a red flag may not be closed so, naming the office that may; None when it may, or nothing is closed."""
    if isinstance(closed, RedFlag):
        return why_not_closed(closed.kind, closed.resolved_office) if closed.resolved_on else None
    return why_not_closed(closed.kind, closed.office)


def why_action_refused(closed: RedFlag | RedFlagClosure, thresholds: Thresholds) -> Reason | None:
    """Why what was done about a red flag is not told in words; None when it is, or nothing is closed."""
    least = thresholds.closure_letters
    if isinstance(closed, RedFlag) and not closed.resolved_on:
        return None
    return None if letters_in(closed.action_taken) >= least.value else say("flag.no-words", letters=least.value)


def why_kind_refused(before: str, after: str | None) -> Reason:
    """Why a correction may not make a red flag one of another kind, or none: it would leave the office it is for."""
    kinds = {"before": spoken(before), "after": spoken(after) if after else "none"}
    return say("flag.other-kind", **kinds)


class Told(StrEnum):
    """What of a record a refusal is about; the doors know the field that tells it."""

    DAY = "day"
    SETTING = "setting"
    TESTED_SETTING = "tested-setting"
    START = "start"
    RANGE = "range"
    OFFICE = "office"
    ACTION = "action"
    KIND = "kind"


class Refusal(NamedTuple):
    """Why something new cannot be true: the record that tells it, why, and what of the record."""

    source: Source
    why: Reason
    about: Told


def refusals(facts: CaseFacts, is_new: Callable[[Source], bool], thresholds: Thresholds) -> list[Refusal]:
    """Everything new that cannot be true of the case, by the record that tells it: the same for a file and a message."""
    found: list[tuple[Source, Reason | None, Told]] = []
    settings = [s for s in facts.settings if is_new(s.source)]
    tests = [t for t in facts.sleep_tests if is_new(t.source)]
    found += [(s.source, why_setting_refused(facts, s, thresholds), Told.SETTING) for s in settings]
    found += [(t.source, why_tested_refused(facts, t, thresholds), Told.TESTED_SETTING) for t in tests]
    for kind, about in ((facts.appliances, Told.START), (facts.assessments, Told.RANGE)):
        found += [(m.source, why_start_refused(facts, m, thresholds), about) for m in kind if is_new(m.source)]
    for closed in (facts.red_flags, facts.red_flag_closures):
        new = [c for c in closed if is_new(c.source)]
        found += [(c.source, why_closure_refused(c), Told.OFFICE) for c in new]
        found += [(c.source, why_action_refused(c, thresholds), Told.ACTION) for c in new]
    return [Refusal(source, why, _about(why, about)) for source, why, about in found if why]


def _about(why: Reason, about: Told) -> Told:
    """A setting before any delivery is wrong in its day, whatever its sides."""
    return Told.DAY if why.id == "geometry.before-delivery" else about


def setting_remarks(facts: CaseFacts, setting: Setting, thresholds: Thresholds) -> Iterator[Reason]:
    """What is said of a setting that is accepted: far into the range, a large step, sides apart without a reason."""
    course = course_on(facts, setting.moment.day, thresholds)
    share = percent_of_range(course, max(setting.pair))
    if share is not None and share > thresholds.percent_by_dentist.value:
        yield say("geometry.by-dentist", percent=rounded(share, "0.1"), limit=thresholds.percent_by_dentist.value)
    elif share is not None and share > thresholds.percent_said.value:
        yield say("geometry.far", percent=rounded(share, "0.1"), limit=thresholds.percent_said.value)


def geometry_questions(course: Course, thresholds: Thresholds) -> tuple[Reason, ...]:
    """What a later measurement or a late fact makes of the recorded setting: the dentist's questions."""
    setting, appliance = course.setting, course.appliance
    if setting is None:
        return ()
    if appliance is None or (course.onset and course.delivered and course.onset < course.delivered):
        return (say("geometry.recorded-before-delivery", on=course.onset or setting.moment.day),)
    further, limit = max(setting.pair), appliance.maximum_advance_mm
    found: list[Reason] = []
    if limit is not None and further > limit:
        found.append(say("geometry.recorded-beyond-appliance", further=further, limit=limit))
    share = percent_of_range(course, further)
    if share is not None and share > 100:
        found.append(
            say("geometry.recorded-beyond-range", further=further, percent=rounded(share, "1"), **_lengths(course))
        )
    return tuple(found)


def unusual_step(course: Course, thresholds: Thresholds) -> Reason | None:
    """The question about the current setting that wants a reason: a large step, or a step back without one."""
    setting, before = course.setting, course.previous
    if setting is None or before is None or any(s.reason for s in course.run):
        return None
    step = max(setting.left_mm - before.left_mm, setting.right_mm - before.right_mm)
    if step > thresholds.step_mm.value:
        return say(
            "geometry.large-step", step=step, limit=thresholds.step_mm.value, on=course.onset or setting.moment.day
        )
    return None


def uncounted_check_ins(course: Course, thresholds: Thresholds) -> tuple[Reason, ...]:
    """Reports of the last weeks that are asked about and not counted: of more nights than there were since the delivery."""
    first, days = course.delivered, thresholds.wear_recent_days.value
    lately = [c for c in course.ledger.not_counted if (course.as_of - c.moment.day).days <= days]
    return tuple(_uncounted(c, first) for c in lately if first is not None)


def _uncounted(check_in: CheckIn, delivered: date) -> Reason:
    if check_in.moment.day <= delivered:
        return say("ledger.before-delivery", on=check_in.moment.day, delivered=delivered)
    nights = check_in.nights_reported or 0
    return say("ledger.too-many-nights", on=check_in.moment.day, nights=nights, delivered=delivered)


def _last_measured(facts: CaseFacts) -> date:
    days = [a.delivered_on for a in facts.appliances] + [a.moment.day for a in facts.assessments]
    return max(days, default=date.min)


def _lengths(course: Course) -> dict[str, Decimal]:
    """Protrusive range and starting position in mm by name, when both are known."""
    known = range_and_start(course)
    return {"range": known[0], "start": known[1]} if known else {}


def outside_scope(birth_date: date, referred_on: date, thresholds: Thresholds) -> str | None:
    """Why a patient is outside the scope of this service; None for adults."""
    age = age_on(birth_date, referred_on)
    limit = thresholds.adult_years
    if age >= limit.value:
        return None
    return f"The patient was {age} on {day(referred_on)}; under {number(limit.value)} is outside the scope of this service."


def age_on(birth_date: date, on: date) -> int:
    """Age in completed years; somebody born on 29 February has a birthday on 1 March of other years."""
    return on.year - birth_date.year - ((on.month, on.day) < (birth_date.month, birth_date.day))
