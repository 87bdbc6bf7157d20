"""Symptoms after a good efficacy test: they lead back to the physician, whatever the setting since.

Symptoms do not show whether the appliance works, and a test is one night; so neither the good test nor
another step answers them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from service.rules.course import Course
from service.rules.decision import ResponseClass
from service.rules.facts import PhysicianDecision
from service.rules.judging.judgement import Judgement
from service.rules.kinds import PhysicianChoice
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.symptoms_told import symptoms_of
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds

_ALREADY_ANSWERED = (PhysicianChoice.ADVANCE_AND_RETEST, PhysicianChoice.KEEP_TITRATING, PhysicianChoice.STOP)


@dataclass(frozen=True, slots=True)
class Relapse:
    """Unsettled symptoms told after a good efficacy test, in one sentence; `told_on` is the day of the last answer."""

    test: Judgement
    told_on: date
    sentence: Reason
    inputs: tuple[Source, ...]
    thresholds: tuple[Threshold, ...]


def relapse(course: Course, thresholds: Thresholds) -> Relapse | None:
    """The relapse on the day of `course`; None without a good test, or once the physician has decided on it.

    A test is good when it counts, was made with the appliance in use now, and left under 5 events per hour, or under 10
    and at least halved the index, or made the physician continue.
    """
    delivered = course.appliance.delivered_on if course.appliance else course.as_of
    tests = [j for j in course.judged if j.counts_as_tested]
    if not tests or tests[-1].test.day < delivered:
        return None
    test = tests[-1]
    on = test.test.day
    decided = [d for d in course.decisions if d.moment.day >= on]
    last = decided[-1] if decided else None
    if not _is_good(test, last, thresholds):
        return None
    now = symptoms_of([c for c in course.all_check_ins if c.moment.day > on], course, thresholds)
    if now is None or now.settled or (last is not None and now.last_on < last.moment.day):
        return None
    before = [c for c in course.all_check_ins if c.moment.day <= on]
    earlier = symptoms_of(before, replace(course, as_of=on), thresholds)
    words = "relapse.still" if earlier is not None and not earlier.settled else "relapse.again"
    told = {"test": on, "index": test.test.index_per_hour or 0, "symptoms": now.unsettled, "on": now.last_on}
    read = {*test.test.sources, *now.sources, *(course.baseline.sources if course.baseline else ())}
    used = (
        thresholds.snoring_settled,
        thresholds.restedness_settled,
        thresholds.epworth_settled,
        thresholds.halved_percent,
        thresholds.normal_index,
        thresholds.low_index,
    )
    return Relapse(test, now.last_on, say(words, **told), tuple(sorted(read)), used)


def _is_good(test: Judgement, decided: PhysicianDecision | None, thresholds: Thresholds) -> bool:
    index = test.test.index_per_hour
    if index is None or (decided is not None and decided.choice in _ALREADY_ANSWERED):
        return False
    if index < thresholds.normal_index.value or (decided is not None and decided.choice is PhysicianChoice.CONTINUE):
        return True
    responses = (ResponseClass.COMPLETE, ResponseClass.PARTIAL)
    return index < thresholds.low_index.value and test.response_class in responses
