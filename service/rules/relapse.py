"""Symptoms after a good efficacy test: they lead back to the physician, whatever the setting since.

Symptoms do not show whether the appliance works, and a test is one night; so neither the good test nor
another step answers them.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.adequate_tests import adequate_test
from service.rules.check_in_dates import is_fresh
from service.rules.check_ins import SYMPTOMS
from service.rules.course import Course
from service.rules.decision import ResponseClass
from service.rules.facts import CheckIn, PhysicianDecision
from service.rules.index_classes import classify
from service.rules.kinds import PhysicianChoice
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.symptoms_told import tells_symptoms, unsettled_on_its_day
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import day, listed, number

_ALREADY_ANSWERED = (PhysicianChoice.ADVANCE_AND_RETEST, PhysicianChoice.STOP)


@dataclass(frozen=True, slots=True)
class Relapse:
    """Unsettled symptoms at the last check-in after a good efficacy test, in one sentence."""

    test: SleepTest
    check_in: CheckIn
    verb: str
    sentence: str
    inputs: tuple[Source, ...]
    thresholds: tuple[Threshold, ...]


def relapse(course: Course, thresholds: Thresholds) -> Relapse | None:
    """The relapse on the day of `course`; None without a good test, or once the physician has decided on it.

    A test is good when it is adequate, was made with the appliance in use now, and brought the index under 5 per hour,
    or under 10 and at least halved it, or made the physician continue.
    """
    delivered = course.appliance.delivered_on if course.appliance else course.as_of
    tests = [t for t in course.efficacy_tests if t.appliance_worn and adequate_test(t, thresholds)]
    if not tests or tests[-1].day < delivered:
        return None
    test = tests[-1]
    decided = [d for d in course.decisions if d.moment.day >= test.day]
    last_decision = decided[-1] if decided else None
    if not _is_good(course, test, last_decision, thresholds):
        return None
    after = [c for c in course.all_check_ins if c.moment.day > test.day and tells_symptoms(c)]
    last = after[-1] if after else None
    if last is None or not is_fresh(course, last.moment, thresholds):
        return None
    if last_decision is not None and last.moment.day < last_decision.moment.day:
        return None
    symptoms = unsettled_on_its_day(last, after, course, thresholds)
    if not symptoms:
        return None
    before = [c for c in course.all_check_ins if c.moment.day <= test.day and tells_symptoms(c)]
    never_settled = bool(before) and bool(unsettled_on_its_day(before[-1], before, course, thresholds))
    verb = "are still there" if never_settled else "have come back"
    sentence = (
        f"Symptoms {verb} since the good efficacy test of {day(test.day)} ({number(test.index_per_hour or 0)} events per "
        f"hour): {listed(symptoms)} at the check-in of {day(last.moment.day)}."
    )
    same_day = {s for c in after if c.moment.day == last.moment.day for s in c.told_by(*SYMPTOMS)}
    read = {*test.sources, *same_day, *(course.baseline.sources if course.baseline else ())}
    used = (
        thresholds.snoring_settled,
        thresholds.restedness_settled,
        thresholds.epworth_settled,
        thresholds.halved_percent,
        thresholds.normal_index,
        thresholds.low_index,
    )
    return Relapse(test, last, verb, sentence, tuple(sorted(read)), used)


def _is_good(course: Course, test: SleepTest, decided: PhysicianDecision | None, thresholds: Thresholds) -> bool:
    index, baseline = test.index_per_hour, course.baseline
    if index is None or (decided is not None and decided.choice in _ALREADY_ANSWERED):
        return False
    if index < thresholds.normal_index.value or (decided is not None and decided.choice is PhysicianChoice.CONTINUE):
        return True
    if baseline is None or baseline.index_per_hour is None or index >= thresholds.low_index.value:
        return False
    responses = (ResponseClass.COMPLETE, ResponseClass.PARTIAL)
    return classify(baseline.index_per_hour, index, thresholds) in responses
