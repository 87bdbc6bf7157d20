"""How far an appliance can still be advanced, and whether the last step was taken back."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from service.rules.course import Course, open_side_effects
from service.rules.facts import CaseFacts, SideEffect
from service.rules.thresholds import Thresholds


def range_and_start(course: Course) -> tuple[Decimal, Decimal] | None:
    """Protrusive range and starting position in mm; None when either is unknown."""
    assessed, appliance = course.assessment, course.appliance
    if not (assessed and assessed.protrusive_range_mm and appliance and appliance.starting_position_mm is not None):
        return None
    return (assessed.protrusive_range_mm, appliance.starting_position_mm)


def percent_of_range(course: Course, advance_mm: Decimal) -> Decimal | None:
    """Position at `advance_mm` as % of the maximum protrusive range; None when range or start is unknown."""
    known = range_and_start(course)
    return (known[1] + advance_mm) * 100 / known[0] if known else None


def room_mm(course: Course, thresholds: Thresholds) -> Decimal | None:
    """mm that the further side can still advance, by the appliance and the site's limit; None if neither is known."""
    if course.setting is None:
        return None
    further = max(course.setting.pair)
    rooms: list[Decimal] = []
    if course.appliance and course.appliance.maximum_advance_mm is not None:
        rooms.append(course.appliance.maximum_advance_mm - further)
    known = range_and_start(course)
    if known:
        range_mm, start_mm = known
        rooms.append(thresholds.maximum_percent_of_range.value * range_mm / 100 - start_mm - further)
    return max(min(rooms), Decimal(0)) if rooms else None


def at_limit(course: Course, thresholds: Thresholds) -> bool:
    """Whether no further advancement is possible: no step of the appliance fits into the room that is left."""
    room = room_mm(course, thresholds)
    if room is None:
        return False
    own = course.appliance.smallest_step_mm if course.appliance else None
    return room < (own or thresholds.smallest_step_mm.value)


def taken_back_for_side_effect(course: Course, facts: CaseFacts, thresholds: Thresholds) -> bool:
    """Whether the current setting is a step back for a side effect: recorded so, or one was open that day."""
    setting, previous = course.setting, course.previous
    if setting is None or previous is None or course.onset is None or sum(setting.pair) >= sum(previous.pair):
        return False
    if any(s.taken_back_for_side_effect for s in course.run):
        return True
    return any(effect.grade >= thresholds.side_effect_grade.value for effect in open_when_set(course, facts))


def open_when_set(course: Course, facts: CaseFacts) -> tuple[SideEffect, ...]:
    """The side effects that were open on the day of the current setting or the day before."""
    if course.onset is None:
        return ()
    days = (course.onset, course.onset - timedelta(days=1))
    return tuple(effect for day in days for effect in open_side_effects(facts.known_on(day).side_effects, day))
