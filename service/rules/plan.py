"""What each person does now: the activities of the stage a case is in, in plain language.

Wear-in, morning routine, exercises and cleaning are common practice without a source and marked so in
`mark`; the dentist's own instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from service.rules.course import Course, course_on
from service.rules.decision import Decision, Party, Step
from service.rules.facts import CaseFacts
from service.rules.retest import FOR_THE_DENTIST
from service.rules.stage import Stage, StageName
from service.rules.threshold import Mark
from service.rules.thresholds import Thresholds
from service.rules.visits import VisitState, planned_visits
from service.rules.words import day, sides

_DENTIST_FIRST = "Your dentist's own instructions come first."
_PRACTICE = Mark.PRACTICE.value


@dataclass(frozen=True, slots=True)
class Activity:
    """One thing to do: title, instruction, FHIR activity status, when in words, and how well it is supported."""

    title: str
    instruction: str
    status: str = "in-progress"
    when: str = ""
    mark: str = ""


def activities_of(
    facts: CaseFacts, stage: Stage, step: Decision | None, thresholds: Thresholds, course: Course | None = None
) -> tuple[Activity, ...]:
    """The activities of a case at its stage, from the case's own data."""
    if stage.name is StageName.CLOSED:
        return ()
    if stage.name in (StageName.REFERRED, StageName.ACCEPTED):
        return (Activity("Dental office", stage.why, "scheduled"),)
    title = "Nothing is due" if stage.whose_move is Party.NOBODY else f"Next: {stage.whose_move}"
    found = [Activity(title, stage.why)]
    if step is not None:
        course = course or course_on(facts, step.as_of)
        found.extend(_wear_in(course, thresholds))
        found.append(_this_week(course, step, thresholds))
        found.extend(_ROUTINE)
        found.extend(_next_visits(course, thresholds))
        found.append(_CAUTIONS)
    if stage.name is StageName.READY_FOR_TEST:
        found.append(
            Activity("Efficacy test", "The physician orders a sleep test with the appliance worn.", "not-started")
        )
    if stage.name is StageName.TEST_ORDERED:
        found.append(
            Activity(
                "Efficacy test", "Wear the appliance at its present setting on the night of the test.", "scheduled"
            )
        )
    return tuple(found)


def _wear_in(course: Course, thresholds: Thresholds) -> tuple[Activity, ...]:
    """The first days with an appliance, until wear-in is over."""
    if course.appliance is None:
        return ()
    until = course.appliance.delivered_on + timedelta(days=int(thresholds.wear_in_days.value))
    if course.as_of >= until:
        return ()
    text = (
        "Wear the appliance for 1 to 2 hours while awake on the first days, then for 30 to 60 minutes before bed, and try "
        f"the whole night when that is comfortable. Take it out when it hurts and try again the next night. {_DENTIST_FIRST}"
    )
    return (Activity("Getting used to the appliance", text, when=f"until {day(until)}", mark=_PRACTICE),)


def _this_week(course: Course, step: Decision, thresholds: Thresholds) -> Activity:
    """This week's step or hold, and the next check-in."""
    since = course.check_ins[-1].moment.day if course.check_ins else (course.onset or step.as_of)
    due = max(since + timedelta(days=int(thresholds.check_in_interval_days.value)), step.as_of)
    assert course.setting
    asks = any(flag.kind in FOR_THE_DENTIST for flag in course.open_red_flags)
    wear = "Ask the dental office whether to wear it until then." if asks else "Wear it every night."
    if step.outcome == Step.ADVANCE and step.target_left_mm is not None and step.target_right_mm is not None:
        text = f"Advance the appliance to {sides(step.target_left_mm, step.target_right_mm)}, then leave it there."
    elif step.outcome == Step.STEP_BACK:
        text = "Call the dental office: the appliance is to be set back."
    elif step.outcome == Step.DENTIST_REVIEW and step.urgent:
        text = "Do not change the setting. Contact the dental office without delay."
    elif step.outcome == Step.PHYSICIAN_REVIEW and step.urgent:
        text = "Do not change the setting. Contact the physician without delay."
    else:
        text = f"Keep the appliance at {sides(*course.setting.pair)}; do not change the setting."
    text = f"{text} {wear} Next check-in: {day(due)}. {_DENTIST_FIRST}"
    return Activity("This week", text, when=f"until {day(due)}")


def _next_visits(course: Course, thresholds: Thresholds) -> tuple[Activity, ...]:
    """The next visit at each office: one that is overdue or due first, else the one to come."""
    found: list[Activity] = []
    visits = [v for v in planned_visits(course, thresholds) if v.state is not VisitState.KEPT]
    for office in dict.fromkeys(v.office for v in visits):
        visit = next(v for v in visits if v.office is office)
        late = visit.state is VisitState.OVERDUE
        text = (
            f"Your visit to the {office.value} was due on {day(visit.due)}. Please make an appointment now."
            if late
            else f"See the {office.value} between {day(visit.due)} and {day(visit.latest)}."
        )
        found.append(Activity(f"Next visit: {office.value}", text, "scheduled", f"from {day(visit.due)}"))
    return tuple(found)


_ROUTINE = (
    Activity(
        "Morning routine",
        "Wait 20 to 30 minutes after taking the appliance out, then bite on the morning occlusal guide for about "
        f"5 minutes until the teeth meet as usual. {_DENTIST_FIRST}",
        when="every morning",
        mark=_PRACTICE,
    ),
    Activity(
        "Jaw exercises",
        "Open and stretch the jaw gently for 10 to 20 seconds at a time.",
        when="several times a day",
        mark=_PRACTICE,
    ),
    Activity("Cleaning", "Clean the appliance every day and store it dry.", when="daily", mark=_PRACTICE),
    Activity("Side sleeping", "Sleeping on the side helps.", when="every night", mark=_PRACTICE),
)

_CAUTIONS = Activity(
    "Cautions",
    "Do not drive when drowsy. Call the dental office at once for a locked jaw, a loose tooth or a broken appliance, "
    "and the physician for drowsy driving or growing sleepiness.",
    when="at any time",
)
