"""How far one titration step goes, forwards or back, and how much room is left."""

from __future__ import annotations

from decimal import Decimal

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.reason import say
from service.rules.room import at_limit, room_mm
from service.rules.source import Source
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds


def one_step_back(course: Course, thresholds: Thresholds) -> tuple[Decimal, Decimal] | None:
    """The previous setting when it was less advanced, else one step less; None at the starting position.

    A step back raises neither side.
    """
    setting, previous = course.setting, course.previous
    assert setting
    if previous and sum(previous.pair) < sum(setting.pair):
        return (min(setting.left_mm, previous.left_mm), min(setting.right_mm, previous.right_mm))
    if max(setting.pair) <= 0:
        return None
    size = thresholds.step_mm.value
    return (max(setting.left_mm - size, Decimal(0)), max(setting.right_mm - size, Decimal(0)))


def step_size_mm(course: Course, thresholds: Thresholds, beyond_standard: bool = False) -> Decimal:
    """mm of one step inside the room and the standard parts, in whole steps of the appliance; 0 when none fits.

    With `beyond_standard` the standard parts do not limit it, as when the dentist directs a step.
    """
    assert course.setting
    own = (course.appliance.smallest_step_mm if course.appliance else None) or Decimal(0)
    left_over = thresholds.standard_parts_mm.value - max(course.setting.pair)
    room = room_mm(course, thresholds)
    limits = [
        max(thresholds.step_mm.value, own),
        *([] if beyond_standard else [left_over]),
        *([] if room is None else [room]),
    ]
    size = min(limits)
    return (size // own) * own if own else size


def limits_read(course: Course) -> tuple[Source, ...]:
    """The resource versions that tell how far the appliance can be advanced at all."""
    appliance = (course.appliance.source, course.appliance.limits_from) if course.appliance else ()
    return tuple(dict.fromkeys((*appliance, *((course.assessment.source,) if course.assessment else ()))))


def limits_compared(thresholds: Thresholds) -> tuple[Threshold, ...]:
    """The thresholds that tell whether a further step is possible."""
    return (
        thresholds.step_mm,
        thresholds.smallest_step_mm,
        thresholds.maximum_percent_of_range,
        thresholds.side_effect_grade,
    )


def room_left(course: Course, thresholds: Thresholds) -> Criterion:
    """How far the appliance can still be advanced, and by which limits."""
    room = room_mm(course, thresholds)
    used = (thresholds.step_mm, thresholds.maximum_percent_of_range, thresholds.standard_parts_mm, thresholds.goal_mm)
    sources = limits_read(course)
    if room is None:
        sentence = say("step.room-unknown")
        return Criterion("room-left", "Room left", Status.UNKNOWN, sentence, (), used, sources, missing="the limit")
    sentence = say("step.room", room=room)
    status = Status.UNMET if at_limit(course, thresholds) else Status.MET
    return Criterion("room-left", "Room left", status, sentence, (Measured(room, "mm"),), used, sources)
