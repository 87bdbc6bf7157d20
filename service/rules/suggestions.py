"""What the physician may consider after an efficacy test. Suggestions only: the physician decides."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.rules.course import Course, at_limit, room_mm, taken_back_for_side_effect
from service.rules.criteria_of_state import tolerated
from service.rules.decision import ResponseClass, Status
from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice
from service.rules.other_measures import remainder_is_supine
from service.rules.sleep_test import SleepTest
from service.rules.step_size import step_size_mm
from service.rules.thresholds import Thresholds
from service.rules.words import number


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One choice the physician may consider, and why, in a sentence."""

    choice: PhysicianChoice
    sentence: str

    def as_data(self) -> dict[str, Any]:
        """The suggestion as JSON-ready data."""
        return {"choice": self.choice.value, "sentence": self.sentence}


def suggestions(
    course: Course, facts: CaseFacts, efficacy: SleepTest, outcome: ResponseClass, thresholds: Thresholds
) -> tuple[Suggestion, ...]:
    """In the order in which they are usually weighed; empty when the class cannot be told."""
    index = efficacy.index_per_hour
    if outcome is ResponseClass.CANNOT_SAY or index is None:
        return ()
    normal, low, halved = thresholds.normal_index, thresholds.low_index, thresholds.halved_percent
    resolved = index < normal.value
    low_enough = outcome is not ResponseClass.NON_RESPONSE and index < low.value
    found: list[Suggestion] = []
    if resolved or low_enough:
        limit = normal if resolved else low
        text = (
            f"Continue and follow up: the index of {number(index)} per hour is under {number(limit.value)} "
            f"({limit.cited})."
        )
        found.append(Suggestion(PhysicianChoice.CONTINUE, text))
    if resolved:
        return tuple(found)
    why_not = _why_not_further(course, facts, thresholds)
    if not why_not:
        text = f"Advance further and test again: {_room(course, thresholds)}, and the appliance is tolerated."
        found.append(Suggestion(PhysicianChoice.ADVANCE_AND_RETEST, text))
    if remainder_is_supine(efficacy, thresholds):
        ratio = thresholds.positional_ratio
        text = (
            f"Add positional therapy: on the back {number(efficacy.supine_per_hour or 0)} events per hour are left, against "
            f"{number(efficacy.non_supine_per_hour or 0)} otherwise, at least {number(ratio.value)} times as many "
            f"({ratio.cited})."
        )
        found.append(Suggestion(PhysicianChoice.ADD_POSITIONAL_THERAPY, text))
    if outcome is ResponseClass.NON_RESPONSE or why_not:
        left = f"{number(index)} events per hour are left"
        reason = (
            f"{left} and {why_not}"
            if why_not
            else f"{left} and the fall is under {number(halved.value)} % ({halved.cited})"
        )
        text = f"Combine with or change to another therapy: {reason}."
        found.append(Suggestion(PhysicianChoice.COMBINE_OR_CHANGE, text))
    return tuple(found)


def _why_not_further(course: Course, facts: CaseFacts, thresholds: Thresholds) -> str | None:
    """Why the appliance is not to be advanced further; None when there is room and tolerance."""
    if course.setting is None:
        return "the setting is not known"
    if at_limit(course, thresholds):
        return "the appliance cannot be advanced further"
    if tolerated(course, thresholds).status is not Status.MET:
        return "the appliance is not tolerated"
    if taken_back_for_side_effect(course, facts, thresholds):
        return "the last step was taken back for a side effect"
    if step_size_mm(course, thresholds) <= 0:
        standard = thresholds.standard_parts_mm
        return f"the standard parts of {number(standard.value)} mm are used up ({standard.cited})"
    return None


def _room(course: Course, thresholds: Thresholds) -> str:
    room: Decimal | None = room_mm(course, thresholds)
    if room is None:
        return "standard parts allow another step, though the appliance's own limit is not recorded"
    return f"{number(room)} mm of room are left"
