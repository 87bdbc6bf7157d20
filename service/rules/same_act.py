"""Since when a party has been the one to do the same thing: of the facts alone, whatever day it is asked."""

from __future__ import annotations

from datetime import date, timedelta

from service.rules.course import Course, course_on
from service.rules.decision import Decision
from service.rules.facts import CaseFacts
from service.rules.readiness import assess_readiness
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step

_MOST_DAYS = 90


def same_act_since(course: Course, facts: CaseFacts, step: Decision, thresholds: Thresholds) -> date:
    """The first day of the unbroken days on which the same party was to do the same, 90 days back at most."""
    found, soonest = course.as_of, max(course.onset or course.as_of, course.as_of - timedelta(days=_MOST_DAYS))
    while found > soonest:
        before = found - timedelta(days=1)
        then = course_on(facts, before, thresholds)
        earlier = next_step(facts, thresholds, assess_readiness(facts, thresholds, before, then), then)
        if earlier is None or (earlier.outcome, earlier.whose_move) != (step.outcome, step.whose_move):
            break
        found = before
    return found
