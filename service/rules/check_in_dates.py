"""When check-ins are due, and how long one speaks for."""

from __future__ import annotations

from datetime import date, timedelta

from service.rules.course import Course
from service.rules.facts import CheckIn
from service.rules.thresholds import Thresholds


def interval_days(thresholds: Thresholds) -> int:
    """Days between two check-ins during titration."""
    return int(thresholds.check_in_interval_days.value)


def is_fresh(course: Course, check_in: CheckIn, thresholds: Thresholds) -> bool:
    """Whether a check-in is recent enough to speak for the as-of day."""
    return (course.as_of - check_in.moment.day).days <= thresholds.check_in_fresh_days.value


def next_check_in(course: Course, thresholds: Thresholds, days: int | None = None) -> date:
    """The day `days` (by default one interval) after the last check-in or the onset, not before tomorrow."""
    start = course.check_ins[-1].moment.day if course.check_ins else (course.onset or course.as_of)
    return max(start + timedelta(days=days or interval_days(thresholds)), course.as_of + timedelta(days=1))
