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

from service.rules.adherence import adherence, wear_falling
from service.rules.bite import occlusal_change
from service.rules.course import Course, course_on
from service.rules.decision import Criterion, Decision, Measured, Party, Status
from service.rules.facts import CaseFacts, RedFlagKind
from service.rules.relapse import relapse
from service.rules.thresholds import Thresholds
from service.rules.visits import PlannedVisit, VisitState, planned_visits, visits_read
from service.rules.words import day, listed, number, rounded

RULE = "follow-up"
VERSION = "1.0.0"


class FollowUpOutcome(StrEnum):
    """Outcomes of the follow-up rule, the most pressing first."""

    BACK_TO_PHYSICIAN = "back-to-physician"
    DENTIST_REVIEW = "dentist-review"
    VISIT_OVERDUE = "visit-overdue"
    VISIT_DUE = "visit-due"
    NOTHING_DUE = "nothing-due"


@dataclass(frozen=True, slots=True)
class FollowUp:
    """The decision with its reasons, and the visits of both offices up to the next."""

    decision: Decision
    visits: tuple[PlannedVisit, ...]

    def as_data(self) -> dict[str, Any]:
        """The follow-up as JSON-ready data."""
        return {**self.decision.as_data(), "visits": [v.as_data() for v in self.visits]}


def follow_up(facts: CaseFacts, thresholds: Thresholds, as_of: date) -> FollowUp | None:
    """The follow-up on `as_of`; None before an appliance is delivered."""
    course = course_on(facts, as_of)
    if course.appliance is None:
        return None
    triggers = (
        _symptoms(course, thresholds),
        _weight(course, thresholds),
        _in_use(course),
        wear_falling(course, thresholds),
    )
    bite = occlusal_change(facts, thresholds, as_of)
    visits = planned_visits(course, facts, thresholds)
    criteria = (*triggers, *adherence(course, thresholds), *bite, _visits(course, facts, visits, thresholds))
    outcome, sentence, mover = _outcome(course, triggers, bite, visits)
    return FollowUp(Decision(RULE, VERSION, as_of, outcome.value, sentence, criteria, mover), visits)


def _outcome(
    course: Course, triggers: Sequence[Criterion], bite: Sequence[Criterion], visits: Sequence[PlannedVisit]
) -> tuple[FollowUpOutcome, str, Party]:
    back = [c for c in triggers if c.status is Status.ATTENTION]
    if back:
        sentence = f"Back to the physician: {listed([c.title.lower() for c in back])}."
        return FollowUpOutcome.BACK_TO_PHYSICIAN, sentence, Party.PHYSICIAN
    fast = [c.title.lower() for c in bite if c.status is Status.ATTENTION]
    if fast:
        sentence = f"The dentist reviews the bite: {listed(fast)} decreasing fast."
        return FollowUpOutcome.DENTIST_REVIEW, sentence, Party.DENTIST
    for state, outcome in (
        (VisitState.OVERDUE, FollowUpOutcome.VISIT_OVERDUE),
        (VisitState.DUE, FollowUpOutcome.VISIT_DUE),
    ):
        waiting = [v for v in visits if v.state is state]
        if waiting:
            return outcome, " ".join(v.sentence for v in waiting), waiting[0].office
    coming = next((v for v in visits if v.state is VisitState.PLANNED), None)
    if coming:
        return FollowUpOutcome.NOTHING_DUE, f"Nothing is due. {coming.sentence}", Party.NOBODY
    kept = "Every planned visit was kept by" if visits else "No visit is planned on"
    return FollowUpOutcome.NOTHING_DUE, f"{kept} {day(course.as_of)}.", Party.NOBODY


def _symptoms(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "symptoms-after-good-test", "Symptoms after a good test"
    again = relapse(course, thresholds)
    if again is None:
        text = f"No unsettled symptoms after a good efficacy test are waiting for the physician on {day(course.as_of)}."
        return Criterion(name, title, Status.MET, text)
    return Criterion(
        name,
        title,
        Status.ATTENTION,
        again.sentence,
        thresholds=again.thresholds,
        inputs=again.inputs,
        needs="the physician reviews the symptoms",
    )


def _weight(course: Course, thresholds: Thresholds) -> Criterion:
    """From the last weight up to the last efficacy test, or the first one told when there is no such test."""
    name, title, limit = "weight-change", "Change of weight", thresholds.weight_change_percent
    told = sorted(
        ((c.moment, c.weight_kg, c.source) for c in course.all_check_ins if c.weight_kg),
        key=lambda t: (t[0], t[1], t[2]),
    )
    tested = [t.day for t in course.efficacy_tests if t.index_per_hour is not None]
    upto = [t for t in told if tested and t[0].day <= tested[-1]]
    if len(told) < 2 or (upto and upto[-1] == told[-1]):
        text = "No change of weight since the test can be told from the check-ins."
        inputs = tuple(t[2] for t in told)
        return Criterion(name, title, Status.UNKNOWN, text, (), (limit,), inputs, missing="a weight before and now")
    reference, last = (upto[-1] if upto else told[0]), told[-1]
    change = (last[1] - reference[1]) * 100 / reference[1]
    shown = rounded(change, "0.1")
    words = "unchanged" if shown == 0 else f"{number(abs(shown))} % {'more' if shown > 0 else 'less'}"
    text = (
        f"Weight {number(last[1])} kg on {day(last[0].day)}, {words} against {number(reference[1])} kg on "
        f"{day(reference[0].day)}; a change of {number(limit.value)} % or more sends the patient back ({limit.cited})."
    )
    status = Status.ATTENTION if abs(change) >= limit.value else Status.MET
    needs = "the physician reviews the change of weight" if status is Status.ATTENTION else ""
    inputs = tuple(sorted({reference[2], last[2]}))
    return Criterion(name, title, status, text, (Measured(shown, "%"),), (limit,), inputs, needs=needs)


def _in_use(course: Course) -> Criterion:
    name, title, appliance = "appliance-broken-or-lost", "Appliance broken or lost", course.appliance
    assert appliance
    broken = [f for f in course.open_red_flags if f.kind is RedFlagKind.BROKEN_APPLIANCE]
    needs = "the dentist repairs or replaces the appliance and the physician is told"
    if broken:
        text = f"The appliance was reported broken on {day(broken[0].moment.day)}."
        return Criterion(name, title, Status.ATTENTION, text, inputs=(broken[0].source,), needs=needs)
    if appliance.ended_on and appliance.ended_on <= course.as_of:
        text = f"The appliance has been out of use since {day(appliance.ended_on)}, and no other is recorded."
        return Criterion(name, title, Status.ATTENTION, text, inputs=(appliance.source,), needs=needs)
    text = f"The appliance delivered on {day(appliance.delivered_on)} is in use."
    return Criterion(name, title, Status.MET, text, inputs=(appliance.source,))


def _visits(course: Course, facts: CaseFacts, visits: Sequence[PlannedVisit], thresholds: Thresholds) -> Criterion:
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
    inputs = tuple(v.source for v in visits_read(course, facts))
    overdue = [v for v in visits if v.state is VisitState.OVERDUE]
    if overdue:
        text = " ".join(v.sentence for v in overdue)
        needs = f"the patient sees the {listed(list(dict.fromkeys(v.office.value for v in overdue)))}"
        return Criterion(name, title, Status.UNMET, text, (), used, inputs, needs=needs)
    text = f"No follow-up visit is overdue on {day(course.as_of)}."
    return Criterion(name, title, Status.MET, text, (), used, inputs)
