"""The projected plan of titration: where the steps lead if symptoms stay unsettled and all else goes well.

Drawn from the facts of the day and by the rule of the next step (`titration.py`), one step every so many
days, to the typical goal and on to the limit. It orders nothing: each step is decided on its own day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.rules.course import Course
from service.rules.decision import Decision, Party, Status, Step
from service.rules.facts import CaseFacts
from service.rules.reason import say
from service.rules.room import at_limit, percent_of_range, taken_back_for_side_effect
from service.rules.source import Moment
from service.rules.step_size import step_size_mm
from service.rules.symptoms_told import symptoms_now
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import rounded, sides


@dataclass(frozen=True, slots=True)
class ProjectedStep:
    """One step: the earliest day, both sides in mm, position in % of the protrusive range when it is known."""

    day: date
    left_mm: Decimal
    right_mm: Decimal
    percent_of_range: Decimal | None
    passes_goal: bool

    def as_data(self) -> dict[str, Any]:
        """The step as JSON-ready data."""
        return {
            "day": self.day.isoformat(),
            "left_mm": self.left_mm,
            "right_mm": self.right_mm,
            "percent_of_range": self.percent_of_range,
            "passes_goal": self.passes_goal,
        }


@dataclass(frozen=True, slots=True)
class Projection:
    """The plan on `as_of`: its steps, the day the typical goal is reached, and why it ends where it ends."""

    as_of: date
    steps: tuple[ProjectedStep, ...]
    goal_on: date | None
    limit_on: date | None
    stop_reason: str
    sentence: str
    thresholds: tuple[Threshold, ...]

    def as_data(self) -> dict[str, Any]:
        """The plan as JSON-ready data."""
        return {
            "as_of": self.as_of.isoformat(),
            "steps": [s.as_data() for s in self.steps],
            "goal_on": self.goal_on.isoformat() if self.goal_on else None,
            "limit_on": self.limit_on.isoformat() if self.limit_on else None,
            "stop_reason": self.stop_reason,
            "sentence": self.sentence,
            "thresholds": [t.name for t in self.thresholds],
        }


def project(
    course: Course, facts: CaseFacts, thresholds: Thresholds, readiness: Decision, step: Decision | None
) -> Projection | None:
    """The plan, from the readiness and the next step of the day."""
    if step is None:
        return None
    start = _first_day(course, facts, step, thresholds)
    if start is None:
        return _projection(course, (), step.sentence, thresholds, to_limit=False)
    tested = readiness.criterion("not-already-tested").status is Status.UNMET
    steps, why = _steps(course, start, thresholds, only_one=tested)
    return _projection(course, steps, why, thresholds, to_limit=not tested)


def _first_day(course: Course, facts: CaseFacts, step: Decision, thresholds: Thresholds) -> date | None:
    """The earliest day of the next step; None when something other than time, wear or a report holds it back."""
    if step.outcome == Step.ADVANCE:
        return course.as_of
    waits_for_patient = step.outcome == Step.HOLD and step.whose_move is Party.PATIENT
    now = symptoms_now(course, thresholds)
    if not waits_for_patient or (now is not None and now.settled):
        return None
    if taken_back_for_side_effect(course, facts, thresholds) or course.onset is None:
        return None
    tomorrow = course.as_of + timedelta(days=1)
    return max(course.onset + timedelta(days=int(thresholds.step_days.value)), tomorrow)


def _steps(
    course: Course, start: date, thresholds: Thresholds, only_one: bool
) -> tuple[tuple[ProjectedStep, ...], str]:
    """Steps from `start` on, and why they end."""
    every = timedelta(days=int(thresholds.step_days.value))
    goal, standard = thresholds.goal_mm.value, thresholds.standard_parts_mm
    found: list[ProjectedStep] = []
    ahead, on = course, start
    while True:
        assert ahead.setting
        if only_one and found:
            return tuple(found), say("plan.one-step")
        if at_limit(ahead, thresholds):
            return tuple(found), say("plan.no-room")
        size = step_size_mm(ahead, thresholds)
        if size <= 0:
            return tuple(found), say("plan.standard-parts", standard=standard.value)
        left, right = ahead.setting.left_mm + size, ahead.setting.right_mm + size
        share = percent_of_range(ahead, max(left, right))
        shown = rounded(share, "1") if share is not None else None
        found.append(ProjectedStep(on, left, right, shown, max(left, right) > goal))
        ahead = replace(ahead, setting=replace(ahead.setting, moment=Moment(on), left_mm=left, right_mm=right))
        on += every


def _projection(
    course: Course, steps: tuple[ProjectedStep, ...], why: str, thresholds: Thresholds, to_limit: bool
) -> Projection:
    goal = thresholds.goal_mm
    goal_on = next((s.day for s in steps if max(s.left_mm, s.right_mm) >= goal.value), None)
    used = (thresholds.step_mm, thresholds.step_days, goal, thresholds.standard_parts_mm)
    used += (thresholds.maximum_percent_of_range, thresholds.smallest_step_mm)
    if not steps:
        return Projection(course.as_of, (), None, None, why, say("plan.none", on=course.as_of, why=why), used)
    told = tuple(say("plan.step", setting=sides(s.left_mm, s.right_mm), on=s.day) for s in steps)
    if goal_on:
        sentence = say("plan.to-goal", steps=told, goal=goal.value, on=goal_on, why=why)
    else:
        sentence = say("plan.steps", steps=told, why=why)
    return Projection(course.as_of, steps, goal_on, steps[-1].day if to_limit else None, why, sentence, used)
