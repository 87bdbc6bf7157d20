"""What is asked of each party beside the next move: whatever was left untold, contradicts itself or wants a reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from service.rules.arrival import geometry_questions, uncounted_check_ins, unusual_step
from service.rules.course import Course
from service.rules.criteria_of_symptoms import fresh_answers
from service.rules.decision import Party
from service.rules.ended import treatment_ended
from service.rules.judging.consistency import told_twice
from service.rules.judging.finding import Weight
from service.rules.judging.validity import BEFORE_DELIVERY, NO_DELIVERY
from service.rules.reason import Reason, say
from service.rules.settled_by_others import harm_since, open_order
from service.rules.thresholds import Thresholds
from service.rules.worsening import answered_on, ask_about_driving, asked_about, disagreement


@dataclass(frozen=True, slots=True)
class Question:
    """One question to one party."""

    party: Party
    sentence: Reason

    def as_data(self) -> dict[str, Any]:
        """The question as JSON-ready data."""
        return {"party": self.party.value, "sentence": self.sentence, "reason": self.sentence.as_data()}


def questions_of(course: Course, thresholds: Thresholds) -> tuple[Question, ...]:
    """Every open question of a case, each once."""
    found = (*_of_the_physician(course), *_of_the_dentist(course, thresholds), *_of_the_laboratory(course))
    return tuple(dict.fromkeys(found))


def _of_the_physician(course: Course) -> Iterator[Question]:
    """While the appliance stays out the physician is told; an order beside harm asks whether still to test."""
    if treatment_ended(course):
        return
    out = [e.onset for e in course.grade_three] + [f.since.day for f in course.flags_against_wear]
    if out:
        yield Question(Party.PHYSICIAN, say("stop.untreated", since=min(out)))
    on = open_order(course)
    harm = harm_since(course, on) if on else ()
    if on and harm:
        yield Question(Party.PHYSICIAN, say("ready.ordered-still", on=on, what=harm))


def _of_the_dentist(course: Course, thresholds: Thresholds) -> Iterator[Question]:
    answered = answered_on(course.known)
    doubt = disagreement(course.check_ins, answered, course.as_of, thresholds)
    asked = [
        *geometry_questions(course, thresholds),
        unusual_step(course, thresholds),
        asked_about(course.totals, answered, course.as_of, thresholds),
        ask_about_driving(course.totals, thresholds),
        doubt.sentence if doubt else None,
        *uncounted_check_ins(course, thresholds),
        *_contradictions(course, thresholds),
    ]
    for sentence in asked:
        if sentence:
            yield Question(Party.DENTIST, sentence)
    if course.check_ins and not fresh_answers(course, "witnessed_pauses", thresholds):
        yield Question(Party.DENTIST, say("ready.pauses-untold"))


def _contradictions(course: Course, thresholds: Thresholds) -> Iterator[Reason]:
    """Reports of wear of the last weeks that contradict each other."""
    since = course.as_of - timedelta(days=int(thresholds.wear_recent_days.value))
    for item in course.ledger.contradictions(since, thresholds):
        yield say("ledger.contradiction", first=item.first, second=item.second, nights=item.nights)


def _of_the_laboratory(course: Course) -> Iterator[Question]:
    """What reports leave untold or contradict; what withholds the class of a test stands with the test itself."""
    for judged in course.judged:
        for finding in judged.withheld:
            if finding.name in (BEFORE_DELIVERY, NO_DELIVERY):
                yield Question(finding.party, finding.sentence)
    for sentence in told_twice(course.known.sleep_tests):
        yield Question(Party.SLEEP_LAB, sentence)
    own = [f for f in course.result.findings if f.cause is None] if course.result else []
    for finding in (*course.baseline_findings, *own):
        if finding.weight is Weight.QUESTION:
            yield Question(finding.party, finding.sentence)
