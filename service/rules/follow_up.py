"""Follow-up of a delivered appliance: visits at both offices, adherence, and what leads back to the physician.

The dentist oversees side effects and the bite, the physician efficacy; the patient returns to both
(AASM/AADSM 2015, doi 10.5664/jcsm.4858).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from service.rules.adherence import adherence
from service.rules.bite import occlusal_change
from service.rules.course import Course, course_on
from service.rules.criteria_of_state import appliance_delivered, tolerated
from service.rules.decision import Criterion, Decision, Party, Status
from service.rules.ended import treatment_ended
from service.rules.facts import CaseFacts
from service.rules.not_counted import with_not_counted
from service.rules.reason import say
from service.rules.retest import retest_triggers
from service.rules.thresholds import Thresholds
from service.rules.triggers import triggers
from service.rules.visits import PlannedVisit, VisitState, first_of_each_office, planned_visits, told, visits_read

RULE = "follow-up"
VERSION = "2.1.0"


class FollowUpOutcome(StrEnum):
    """Outcomes of the follow-up rule, the most pressing first."""

    BACK_TO_PHYSICIAN = "back-to-physician"
    DENTIST_REVIEW = "dentist-review"
    VISIT_OVERDUE = "visit-overdue"
    VISIT_DUE = "visit-due"
    NOTHING_DUE = "nothing-due"


@dataclass(frozen=True, slots=True)
class FollowUp:
    """The decision with its reasons, and the visits of both offices up to the next.

    `since` is the day since which the party of the decision has been asked; None when nothing is due.
    """

    decision: Decision
    visits: tuple[PlannedVisit, ...]
    since: date | None = None

    def as_data(self) -> dict[str, Any]:
        """The follow-up as JSON-ready data."""
        return {
            **self.decision.as_data(),
            "since": self.since.isoformat() if self.since else None,
            "visits": [v.as_data() for v in self.visits],
        }


def follow_up(facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None) -> FollowUp | None:
    """The follow-up on `as_of`; None before an appliance is delivered."""
    course = course or course_on(facts, as_of, thresholds)
    if course.appliance is None:
        return None
    ended = treatment_ended(course) if course.known.closing_record else None
    if ended:
        outcome = FollowUpOutcome.NOTHING_DUE.value
        decision = Decision(RULE, VERSION, as_of, outcome, ended.sentence, (ended,), Party.NOBODY)
        return FollowUp(with_not_counted(decision, course.known.not_counted), ())
    back = triggers(facts, thresholds, course)
    bite = occlusal_change(facts, thresholds, as_of)
    dental = (tolerated(course, thresholds), appliance_delivered(course))
    visits = planned_visits(course, thresholds)
    back = (*back, *retest_triggers(course, thresholds))
    criteria = (*back, *dental[:1], *adherence(course, thresholds), *bite, _visits(course, visits, thresholds))
    outcome, sentence, mover, since = _outcome(course, back, (*dental, *bite), visits)
    decision = Decision(RULE, VERSION, as_of, outcome.value, sentence, criteria, mover)
    return FollowUp(with_not_counted(decision, course.known.not_counted), visits, since)


def _outcome(
    course: Course,
    back: Sequence[Criterion],
    dental: Sequence[Criterion],
    visits: Sequence[PlannedVisit],
) -> tuple[FollowUpOutcome, str, Party, date | None]:
    to_physician = [c for c in back if c.status is Status.ATTENTION]
    to_dentist = [c for c in dental if c.status in (Status.UNMET, Status.ATTENTION)]
    reviews = " ".join(_reviews(c) for c in to_dentist)
    if to_physician:
        sentence = say("follow-up.back", what=tuple(c.title.lower() for c in to_physician))
        both = f"{sentence} {reviews}".strip()
        return FollowUpOutcome.BACK_TO_PHYSICIAN, both, Party.PHYSICIAN, _since(course, to_physician)
    if to_dentist:
        return FollowUpOutcome.DENTIST_REVIEW, reviews, Party.DENTIST, _since(course, to_dentist)
    for state, outcome in (
        (VisitState.OVERDUE, FollowUpOutcome.VISIT_OVERDUE),
        (VisitState.DUE, FollowUpOutcome.VISIT_DUE),
    ):
        waiting = first_of_each_office(visits, state)
        if waiting:
            return outcome, told(waiting), waiting[0].office, waiting[0].due
    coming = first_of_each_office(visits, VisitState.PLANNED)
    if coming:
        return FollowUpOutcome.NOTHING_DUE, say("follow-up.nothing-due", next=told(coming)), Party.NOBODY, None
    words = "follow-up.all-kept" if visits else "follow-up.none-planned"
    return FollowUpOutcome.NOTHING_DUE, say(words, on=course.as_of), Party.NOBODY, None


def _reviews(item: Criterion) -> str:
    """What the dentist does about one finding, as a sentence."""
    needs = f"{item.needs[0].upper()}{item.needs[1:]}"
    if item.status is Status.UNMET:
        return say("follow-up.dentist", needs=needs)
    return say("follow-up.bite", needs=needs, what=item.title.lower())


def _since(course: Course, waiting: Sequence[Criterion]) -> date:
    """The day since which the first of several findings has been waiting: that of the last fact it rests on."""
    known = course.known
    days = {f.source: f.moment.day for f in (*known.check_ins, *known.red_flags, *known.assessments)}
    days |= {effect.source: effect.onset for effect in known.side_effects}
    days |= {a.source: a.ended_on or a.delivered_on for a in known.appliances}
    days |= {t.source: t.day for t in known.sleep_tests} | {s.source: s.moment.day for s in known.settings}
    waits = (c.earliest or max((days[s] for s in c.inputs if s in days), default=course.as_of) for c in waiting)
    return min(waits)


def _visits(course: Course, visits: Sequence[PlannedVisit], thresholds: Thresholds) -> Criterion:
    name, title = "visits", "Follow-up visits"
    used = (
        thresholds.first_visit_days,
        thresholds.second_visit_days,
        thresholds.second_visit_end_days,
        thresholds.half_yearly_days,
        thresholds.yearly_days,
        thresholds.visit_early_days,
        thresholds.visit_grace_days,
    )
    inputs = tuple(f.source for f in (*course.decisions, *visits_read(course)))
    overdue = first_of_each_office(visits, VisitState.OVERDUE)
    if overdue:
        text = told(overdue)
        needs = say("follow-up.sees", whom=tuple(f"the {v.office}" for v in overdue))
        return Criterion(name, title, Status.UNMET, text, (), used, inputs, needs=needs)
    text = say("visit.none-overdue", on=course.as_of)
    return Criterion(name, title, Status.MET, text, (), used, inputs)
