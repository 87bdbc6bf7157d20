"""How far one titration step goes, forwards or back, and how much room is left."""

from __future__ import annotations

from decimal import Decimal

from service.rules.course import Course, at_limit, room_mm
from service.rules.decision import Criterion, Measured, Status
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from service.rules.words import number


def one_step_back(course: Course, thresholds: Thresholds) -> tuple[Decimal, Decimal] | None:
    """The previous setting when it was less advanced, else one step less; None at the starting position."""
    setting, previous = course.setting, course.previous
    assert setting
    if previous and sum(previous.pair) < sum(setting.pair):
        return previous.pair
    if max(setting.pair) <= 0:
        return None
    size = thresholds.step_mm.value
    return (max(setting.left_mm - size, Decimal(0)), max(setting.right_mm - size, Decimal(0)))


def step_size_mm(course: Course, thresholds: Thresholds) -> Decimal:
    """mm of one step inside the room and the standard parts, in whole steps of the appliance; 0 when none fits."""
    assert course.setting
    own = (course.appliance.smallest_step_mm if course.appliance else None) or Decimal(0)
    left_over = thresholds.standard_parts_mm.value - max(course.setting.pair)
    room = room_mm(course, thresholds)
    size = min(max(thresholds.step_mm.value, own), left_over if room is None else min(left_over, room))
    return (size // own) * own if own else size


def limits_read(course: Course) -> tuple[Source, ...]:
    """The resource versions that tell how far the appliance can be advanced at all."""
    appliance = (course.appliance.source, course.appliance.limits_from) if course.appliance else ()
    return tuple(dict.fromkeys((*appliance, *((course.assessment.source,) if course.assessment else ()))))


def room_left(course: Course, thresholds: Thresholds) -> Criterion:
    """How far the appliance can still be advanced, and by which limits."""
    room = room_mm(course, thresholds)
    used = (thresholds.step_mm, thresholds.maximum_percent_of_range, thresholds.standard_parts_mm, thresholds.goal_mm)
    sources = limits_read(course)
    if room is None:
        text = "Neither the appliance's limit nor the protrusive range is recorded, so the room left is not known."
        return Criterion("room-left", "Room left", Status.UNKNOWN, text, (), used, sources, missing="the limit")
    text = f"{number(room)} mm can still be advanced on the further side."
    status = Status.UNMET if at_limit(course, thresholds) else Status.MET
    return Criterion("room-left", "Room left", status, text, (Measured(room, "mm"),), used, sources)
