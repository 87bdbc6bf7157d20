"""What check-ins tell of symptoms now: whether any is unsettled, and in which words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.rules.check_in_dates import is_fresh
from service.rules.check_ins import SYMPTOMS, Reported, answers
from service.rules.course import Course
from service.rules.criteria_of_symptoms import epworth_is_settled, snoring_settled
from service.rules.decision import Status
from service.rules.facts import CheckIn
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.thresholds import Thresholds


@dataclass(frozen=True, slots=True)
class SymptomsNow:
    """The last answers that still speak for today: those that are unsettled, in words; the day of the last answer."""

    unsettled: tuple[Reason, ...]
    last_on: date
    sources: tuple[Source, ...]

    @property
    def settled(self) -> bool:
        """Whether everything told is settled."""
        return not self.unsettled


def symptoms_now(course: Course, thresholds: Thresholds) -> SymptomsNow | None:
    """Symptoms since the onset of the setting; None when no answer still speaks for today."""
    found = _last_of(course.told, course, thresholds)
    not_heard = snoring_settled(course, thresholds)
    if found and not_heard.status is Status.UNMET and not any(a.id == "symptom.snoring" for a in found.unsettled):
        unheard = (not_heard.sentence,) if isinstance(not_heard.sentence, Reason) else ()
        if unheard and unheard[0].id in _UNHEARD:
            return SymptomsNow((*found.unsettled, *unheard), found.last_on, found.sources)
    return found


_UNHEARD = ("ready.not-heard-unsettled", "ready.not-heard-loud")


def symptoms_of(check_ins: Sequence[CheckIn], course: Course, thresholds: Thresholds) -> SymptomsNow | None:
    """What the last answers of some check-ins tell; None when none of them still speaks for today."""
    return _last_of({name: answers(check_ins, name, thresholds) for name in SYMPTOMS}, course, thresholds)


def _last_of(answered: Mapping[str, Sequence[Reported]], course: Course, thresholds: Thresholds) -> SymptomsNow | None:
    last = {n: told[-1] for n, told in answered.items() if told and is_fresh(course, told[-1].moment, thresholds)}
    if not last:
        return None
    sources = tuple(sorted({s for a in last.values() for s in a.sources}))
    return SymptomsNow(_unsettled(last, course, thresholds), max(a.day for a in last.values()), sources)


def _unsettled(last: dict[str, Reported], course: Course, thresholds: Thresholds) -> tuple[Reason, ...]:
    found: list[Reason] = []
    snoring, rested = last.get("snoring"), last.get("restedness")
    total, pauses = last.get("epworth_total"), last.get("witnessed_pauses")
    if snoring is not None and snoring.value > thresholds.snoring_settled.value:
        found.append(say("symptom.snoring", value=snoring.value))
    if total is not None:
        tired = rested is not None and rested.value <= thresholds.tired_restedness.value
        if not epworth_is_settled(total.value, course, thresholds):
            found.append(say("symptom.epworth", value=total.value))
        elif tired and rested is not None:
            found.append(say("symptom.restedness", value=rested.value))
    elif rested is not None and rested.value < thresholds.restedness_settled.value:
        found.append(say("symptom.restedness", value=rested.value))
    if pauses is not None and pauses.value:
        found.append(say("symptom.pauses"))
    return tuple(found)
