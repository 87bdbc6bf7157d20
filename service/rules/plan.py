"""What each person does now: the activities of the stage a case is in, in plain language.

Wear-in, morning routine, exercises and cleaning are common practice without a source and marked so in
`mark`; the dentist's own instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from service.rules.course import Course, course_on
from service.rules.decision import Decision, Party
from service.rules.facts import CaseFacts
from service.rules.reason import say
from service.rules.stage import Stage, StageName
from service.rules.threshold import Mark
from service.rules.thresholds import Thresholds
from service.rules.visits import VisitState, planned_visits
from service.rules.week import Wear, Week, this_week
from service.rules.words import day

_PRACTICE = Mark.PRACTICE.value


@dataclass(frozen=True, slots=True)
class Activity:
    """One thing to do: title, instruction, FHIR activity status, when in words, and how well it is supported.

    `call` names the offices it tells the patient to call, so that their telephone numbers can stand beside it.
    """

    title: str
    instruction: str
    status: str = "in-progress"
    when: str = ""
    mark: str = ""
    call: tuple[str, ...] = ()


def activities_of(
    facts: CaseFacts, stage: Stage, step: Decision | None, thresholds: Thresholds, course: Course | None = None
) -> tuple[Activity, ...]:
    """The activities of a case at its stage, from the case's own data: the office's line first, then the patient's."""
    if stage.name is StageName.CLOSED:
        return ()
    if stage.name in (StageName.REFERRED, StageName.ACCEPTED):
        return (Activity("Dental office", stage.why, "scheduled"),)
    title = "Nothing is due" if stage.whose_move is Party.NOBODY else f"Next: {stage.whose_move}"
    found = [Activity(title, stage.why)]
    if course is not None and course.known.closing_record:
        return tuple(found)
    if course is None and step is not None:
        course = course_on(facts, step.as_of, thresholds)
    if course is not None and (step is not None or stage.name is StageName.UNDER_REVIEW):
        week = this_week(course, stage, step, thresholds)
        found.append(Activity("This week", week.text, when=f"until {day(week.until)}", call=week.call))
        if week.wear is Wear.WEAR:
            found.extend(_wear_in(course, thresholds))
            found.extend(_ROUTINE)
        found.extend(_next_visits(course, thresholds))
        found.append(_CAUTIONS)
        found.extend(_test(stage, week))
    return tuple(found)


def _wear_in(course: Course, thresholds: Thresholds) -> tuple[Activity, ...]:
    """The first days with an appliance, until wear-in is over."""
    if course.appliance is None:
        return ()
    until = course.appliance.delivered_on + timedelta(days=int(thresholds.wear_in_days.value))
    if course.as_of >= until:
        return ()
    text = f"{say('patient.wear-in')} {say('patient.dentist-first')}"
    return (Activity("Getting used to the appliance", text, when=f"until {day(until)}", mark=_PRACTICE),)


def _test(stage: Stage, week: Week) -> tuple[Activity, ...]:
    """The test that is proposed or ordered; not while the appliance stays out or is out of use."""
    if week.wear is not Wear.WEAR:
        return ()
    if stage.name is StageName.READY_FOR_TEST:
        return (Activity("Efficacy test", say("patient.test-proposed"), "not-started"),)
    if stage.name is StageName.TEST_ORDERED:
        return (Activity("Efficacy test", say("patient.wear-same"), "scheduled"),)
    return ()


_WHOM = {"dentist": "your dentist", "physician": "your doctor"}


def _next_visits(course: Course, thresholds: Thresholds) -> tuple[Activity, ...]:
    """The next visit at each office: one that is overdue or due first, else the one to come."""
    found: list[Activity] = []
    visits = [v for v in planned_visits(course, thresholds) if v.state is not VisitState.KEPT]
    for office in dict.fromkeys(v.office for v in visits):
        visit = next(v for v in visits if v.office is office)
        words = "patient.visit-late" if visit.state is VisitState.OVERDUE else "patient.visit"
        text = say(words, whom=_WHOM[office.value], due=visit.due, latest=visit.latest)
        found.append(Activity(f"Next visit: {office.value}", text, "scheduled", f"from {day(visit.due)}"))
    return tuple(found)


_ROUTINE = (
    Activity("Morning routine", say("patient.morning"), when="every morning", mark=_PRACTICE),
    Activity("Jaw exercises", say("patient.exercises"), when="several times a day", mark=_PRACTICE),
    Activity("Cleaning", say("patient.cleaning"), when="daily", mark=_PRACTICE),
    Activity("Side sleeping", say("patient.side"), when="every night", mark=_PRACTICE),
)

_CAUTIONS = Activity("Cautions", say("patient.when-to-call"), when="at any time", call=("dentist", "physician"))
