"""Since when a patient has not been heard of: a loss shows itself as silence."""

from __future__ import annotations

from datetime import date

from service.rules.course import Course
from service.rules.facts import CaseFacts, effective_day


def last_report(known: CaseFacts) -> date | None:
    """The day of the last setting, check-in, side effect, red flag or visit."""
    reports = (*known.settings, *known.check_ins, *known.side_effects, *known.red_flags, *known.visits)
    return max((effective_day(report) for report in reports), default=None)


def silent_since(course: Course) -> date | None:
    """The day of the last report since the delivery, or of the delivery itself; None before one."""
    if course.appliance is None:
        return None
    return max(last_report(course.known) or course.appliance.delivered_on, course.appliance.delivered_on)
