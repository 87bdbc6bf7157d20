"""What each person does now: the activities of the stage a case is in, in plain language.

Morning routine, exercises and wear-in are common practice without a source; the dentist's own
instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from service.rules.course import course_on
from service.rules.decision import Decision, Step
from service.rules.facts import CaseFacts
from service.rules.stage import Stage, StageName
from service.rules.thresholds import Thresholds
from service.rules.words import day, sides

_DENTIST_FIRST = "Your dentist's own instructions come first."


@dataclass(frozen=True, slots=True)
class Activity:
    """One thing to do: title, instruction, FHIR activity status, and when, in words."""

    title: str
    instruction: str
    status: str = "in-progress"
    when: str = ""


def activities_of(
    facts: CaseFacts, stage: Stage, step: Decision | None, thresholds: Thresholds
) -> tuple[Activity, ...]:
    """The activities of a case at its stage, from the case's own data."""
    if stage.name is StageName.CLOSED:
        return ()
    if stage.name in (StageName.REFERRED, StageName.ACCEPTED):
        return (Activity("Dental office", stage.why, "scheduled"),)
    found = [Activity(f"Next: {stage.whose_move}", stage.why)]
    if step is not None:
        found.append(_this_week(facts, step, thresholds))
        found.extend(_ROUTINE)
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


def _this_week(facts: CaseFacts, step: Decision, thresholds: Thresholds) -> Activity:
    """This week's step or hold, and the next check-in."""
    course = course_on(facts, step.as_of)
    since = course.check_ins[-1].moment.day if course.check_ins else (course.onset or step.as_of)
    due = max(since + timedelta(days=int(thresholds.check_in_interval_days.value)), step.as_of)
    assert course.setting
    if step.outcome == Step.ADVANCE and step.target_left_mm is not None and step.target_right_mm is not None:
        text = f"Advance the appliance to {sides(step.target_left_mm, step.target_right_mm)}, then leave it there."
    elif step.outcome == Step.STEP_BACK:
        text = "Call the dental office: the appliance is to be set back."
    elif step.outcome in (Step.DENTIST_REVIEW, Step.PHYSICIAN_REVIEW) and step.urgent:
        text = "Do not change the setting. Contact the office named above without delay."
    else:
        text = f"Keep the appliance at {sides(*course.setting.pair)}; do not change the setting."
    text = f"{text} Wear it every night. Next check-in: {day(due)}. {_DENTIST_FIRST}"
    return Activity("This week", text, when=f"until {day(due)}")


_ROUTINE = (
    Activity(
        "Morning routine",
        "Wait 20 to 30 minutes after taking the appliance out, then bite on the morning occlusal guide for about "
        f"5 minutes until the teeth meet as usual. {_DENTIST_FIRST}",
        when="every morning",
    ),
    Activity(
        "Jaw exercises",
        "Open and stretch the jaw gently for 10 to 20 seconds at a time.",
        when="several times a day",
    ),
    Activity("Cleaning", "Clean the appliance every day and store it dry.", when="daily"),
    Activity("Side sleeping", "Sleeping on the side helps.", when="every night"),
    Activity(
        "Cautions",
        "Do not drive when drowsy. Call the dental office at once for a locked jaw, a loose tooth or a broken appliance, "
        "and the physician for drowsy driving or growing sleepiness.",
        when="at any time",
    ),
)
