"""Which follow-up visits are planned at both offices, which were kept, and which are overdue.

The patient returns periodically to the dentist and to the physician (AASM/AADSM 2015,
doi 10.5664/jcsm.4858). Until efficacy is verified the dates count from the delivery of the appliance,
afterwards from the day the physician decided to continue.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import count
from typing import Any

from service.rules.course import Course
from service.rules.decision import Party
from service.rules.ended import treatment_ended
from service.rules.facts import Visit
from service.rules.kinds import Office, PhysicianChoice
from service.rules.reason import Reason, say
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds


class VisitState(StrEnum):
    """How a planned visit stands on the day."""

    KEPT = "kept"
    OVERDUE = "overdue"
    DUE = "due"
    PLANNED = "planned"


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """One visit: due from `due`, overdue after `latest`, kept on `kept_on`; `rule` is the threshold that sets it."""

    office: Party
    due: date
    latest: date
    state: VisitState
    kept_on: date | None
    rule: Threshold

    @property
    def sentence(self) -> str:
        """How the visit stands, in a sentence."""
        return told((self,))

    def as_data(self) -> dict[str, Any]:
        """The planned visit as JSON-ready data."""
        return {
            "office": self.office.value,
            "due": self.due.isoformat(),
            "latest": self.latest.isoformat(),
            "state": self.state.value,
            "kept_on": self.kept_on.isoformat() if self.kept_on else None,
            "sentence": self.sentence,
        }


def told(visits: Sequence[PlannedVisit]) -> str:
    """How visits of one state stand, those of both offices on one day in one sentence."""
    together: dict[tuple[date, date, date | None, str], list[PlannedVisit]] = {}
    for visit in visits:
        together.setdefault((visit.due, visit.latest, visit.kept_on, visit.rule.name), []).append(visit)
    return " ".join(_sentence(group) for group in together.values())


def _sentence(visits: Sequence[PlannedVisit]) -> Reason:
    one = visits[0]
    told = {"whom": tuple(f"the {v.office}" for v in visits), "due": one.due, "latest": one.latest}
    number = "many" if len(visits) > 1 else "one"
    return say(f"visit.{one.state}-{number}", **told, kept=one.kept_on or one.due)


def efficacy_verified_on(course: Course) -> date | None:
    """The day of the first of the unbroken last decisions to continue, after an efficacy test of this appliance.

    None while the last decision is another one, or when the appliance was delivered since.
    """
    first: date | None = None
    for decision in reversed(course.decisions):
        if decision.choice is not PhysicianChoice.CONTINUE:
            break
        first = decision.moment.day
    tested = [j.test.day for j in course.judged if j.test.index_per_hour is not None]
    delivered = course.appliance.delivered_on if course.appliance else None
    if first is None or delivered is None or first < delivered:
        return None
    return first if any(delivered <= on <= first for on in tested) else None


def planned_visits(course: Course, thresholds: Thresholds) -> tuple[PlannedVisit, ...]:
    """The visits of both offices up to the next one to come, in order; none before a delivery or after the end."""
    if course.appliance is None or treatment_ended(course):
        return ()
    visits = course.known.visits
    found: list[PlannedVisit] = []
    for office in Office:
        own = sorted(v.day for v in visits if v.office is office)
        for due, latest, rule in _dates(course, thresholds):
            visit = _visit(course, Party(office.value), due, latest, rule, own, thresholds)
            found.append(visit)
            if visit.state is VisitState.PLANNED:
                break
    return tuple(sorted(found, key=lambda v: (v.due, v.office.value)))


def first_of_each_office(visits: Sequence[PlannedVisit], state: VisitState) -> tuple[PlannedVisit, ...]:
    """The visit of each office that has been in that state longest, in order."""
    first: dict[Party, PlannedVisit] = {}
    for visit in visits:
        if visit.state is state:
            first.setdefault(visit.office, visit)
    return tuple(first.values())


def visits_read(course: Course) -> tuple[Visit, ...]:
    """The visits known on the day, in order."""
    return tuple(sorted(course.known.visits, key=lambda v: (v.day, v.source)))


def _dates(course: Course, thresholds: Thresholds) -> Iterator[tuple[date, date, Threshold]]:
    """Due day, last day in time and the threshold that sets it."""
    assert course.appliance
    verified, grace = efficacy_verified_on(course), _days(thresholds.visit_grace_days)
    if verified is None:
        delivered = course.appliance.delivered_on
        first, second = thresholds.first_visit_days, thresholds.second_visit_days
        yield delivered + _days(first), delivered + _days(first) + grace, first
        end = max(thresholds.second_visit_end_days.value, second.value)
        yield delivered + _days(second), delivered + timedelta(days=int(end)), second
        return
    year = _days(thresholds.yearly_days)
    half = _days(thresholds.half_yearly_days)
    due = verified + half
    while due < verified + year:
        yield due, due + grace, thresholds.half_yearly_days
        due += half
    for years in count(1):
        yield verified + year * years, verified + year * years + grace, thresholds.yearly_days


def _days(threshold: Threshold) -> timedelta:
    return timedelta(days=int(threshold.value))


def _visit(
    course: Course,
    office: Party,
    due: date,
    latest: date,
    rule: Threshold,
    own: list[date],
    thresholds: Thresholds,
) -> PlannedVisit:
    """A visit on or after the day from which it counts keeps it; a later visit keeps an earlier date as well."""
    opens = due - _days(thresholds.visit_early_days)
    kept_on = next((on for on in own if on >= opens), None)
    if kept_on:
        state = VisitState.KEPT
    elif course.as_of > latest:
        state = VisitState.OVERDUE
    elif course.as_of >= due:
        state = VisitState.DUE
    else:
        state = VisitState.PLANNED
    return PlannedVisit(office, due, latest, state, kept_on, rule)
