"""What check-ins tell of symptoms: whether any is unsettled, and in which words."""

from __future__ import annotations

from collections.abc import Iterable

from service.rules.check_in_dates import is_fresh
from service.rules.check_ins import SYMPTOMS
from service.rules.course import Course
from service.rules.criteria_of_symptoms import epworth_is_settled
from service.rules.facts import CheckIn
from service.rules.thresholds import Thresholds
from service.rules.words import number


def tells_symptoms(check_in: CheckIn) -> bool:
    """Whether a check-in tells of any symptom."""
    return any(getattr(check_in, name) is not None for name in SYMPTOMS)


def unsettled_symptoms(check_in: CheckIn, course: Course, thresholds: Thresholds) -> tuple[str, ...]:
    """Each symptom that a check-in tells as unsettled, in words with its value; empty when all are settled."""
    found: list[str] = []
    if check_in.snoring is not None and check_in.snoring > thresholds.snoring_settled.value:
        found.append(f"snoring {number(check_in.snoring)} of 10")
    if check_in.restedness is not None and check_in.restedness < thresholds.restedness_settled.value:
        found.append(f"restedness {number(check_in.restedness)} of 10")
    total = check_in.epworth_total
    if total is not None and not epworth_is_settled(total, course, thresholds):
        found.append(f"an Epworth total of {total}")
    if check_in.witnessed_pauses:
        found.append("witnessed pauses in breathing")
    return tuple(found)


def unsettled_on_its_day(
    last: CheckIn, check_ins: Iterable[CheckIn], course: Course, thresholds: Thresholds
) -> tuple[str, ...]:
    """The unsettled symptoms told by any of `check_ins` on the day of `last`, each once."""
    same_day = [c for c in check_ins if c.moment.day == last.moment.day]
    return tuple(dict.fromkeys(s for c in same_day for s in unsettled_symptoms(c, course, thresholds)))


def last_with_symptoms(course: Course, thresholds: Thresholds) -> CheckIn | None:
    """The last check-in since the onset that still speaks for today and tells of symptoms."""
    told = [c for c in course.check_ins if is_fresh(course, c.moment, thresholds) and tells_symptoms(c)]
    return told[-1] if told else None


def symptoms_settled(course: Course, thresholds: Thresholds) -> bool:
    """Whether the last such check-in is there and tells of settled symptoms only."""
    last = last_with_symptoms(course, thresholds)
    return last is not None and not unsettled_on_its_day(last, course.check_ins, course, thresholds)
