"""When check-ins are due, and how long one speaks for."""

from __future__ import annotations

from datetime import date, timedelta

from service.rules.course import Course
from service.rules.source import Moment
from service.rules.thresholds import Thresholds


def is_fresh(course: Course, told: Moment, thresholds: Thresholds) -> bool:
    """Whether a check-in of that moment is recent enough to speak for the as-of day."""
    return (course.as_of - told.day).days <= thresholds.check_in_fresh_days.value


def next_check_in(course: Course, thresholds: Thresholds, more: int = 1) -> date:
    """The day of the next check-in, or of the `more`-th from now: one interval apart, the first not before tomorrow."""
    interval = timedelta(days=int(thresholds.check_in_interval_days.value))
    start = course.check_ins[-1].moment.day if course.check_ins else (course.onset or course.as_of)
    return max(start + interval, course.as_of + timedelta(days=1)) + interval * (more - 1)
