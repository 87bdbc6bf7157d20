"""The one act of this week, in a patient's words: what to do with the appliance, whether to drive, whom to call.

Every act is chosen once, so that no two can exclude each other: to wear or to stop, to advance or to keep.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from service.rules.course import Course
from service.rules.decision import Decision, Party, Step
from service.rules.kinds import Office, RedFlagKind
from service.rules.reason import Reason, say
from service.rules.settled_by_others import open_order
from service.rules.silence import silent_since
from service.rules.stage import Stage, StageName
from service.rules.thresholds import Thresholds
from service.rules.words import sides


class Wear(StrEnum):
    """What to do with the appliance."""

    WEAR = "wear"
    STOP = "stop-wearing"
    NOTHING = "nothing"


class SettingChange(StrEnum):
    """What to do with its setting."""

    ADVANCE = "advance"
    KEEP = "keep"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Week:
    """The acts of this week and the sentences that tell them, the most urgent first; `call` are the offices to call."""

    wear: Wear
    change: SettingChange
    drives_not: bool
    sentences: tuple[Reason, ...]
    call: tuple[str, ...]
    until: date

    @property
    def text(self) -> str:
        """All sentences in one."""
        return " ".join(self.sentences)


def this_week(course: Course, stage: Stage, step: Decision | None, thresholds: Thresholds) -> Week:
    """The week of a patient; without a step, of one who has no setting yet and whom something urgent concerns."""
    stops = course.stays_out
    no_driving = any(f.kind is RedFlagKind.DROWSY_DRIVING for f in course.flags)
    advances = step is not None and step.outcome == Step.ADVANCE and not stops
    change = (
        SettingChange.NOTHING
        if stops or course.setting is None or course.out_of_use
        else SettingChange.ADVANCE
        if advances
        else SettingChange.KEEP
    )
    calls = tuple(dict.fromkeys((office, sentence) for office, sentence in _calls(course, step)))
    due = _next_check_in(course, thresholds)
    told = [
        *((say("patient.no-driving"),) if no_driving else ()),
        *((say("patient.stop"),) if stops else ()),
        *(sentence for _, sentence in calls),
        *((say("patient.no-test-yet"),) if stops and open_order(course) else ()),
        *(() if stops else _with_the_appliance(course, stage, step, advances)),
        *((say("patient.sleepy"),) if _is_sleepy(course) and not no_driving else ()),
        *(() if stage.name is StageName.FOLLOW_UP else (_check_in(course, due, thresholds),)),
        say("patient.dentist-first"),
    ]
    wear = Wear.STOP if stops else Wear.NOTHING if course.appliance is None or course.out_of_use else Wear.WEAR
    return Week(wear, change, no_driving, tuple(told), tuple(dict.fromkeys(o for o, _ in calls)), due)


def _is_sleepy(course: Course) -> bool:
    return any(f.kind is RedFlagKind.WORSE_SLEEPINESS for f in course.flags)


def _calls(course: Course, step: Decision | None) -> Iterator[tuple[str, Reason]]:
    """Whom to call and when: the dental office and the doctor each once, the sooner the first."""
    dentist, physician = Office.DENTIST.value, Office.PHYSICIAN.value
    urgent = bool(course.grade_three) or any(f.office is Office.DENTIST for f in course.flags)
    if urgent:
        yield dentist, say("patient.dentist-today")
    own = [f for f in course.flags if f.office is Office.PHYSICIAN]
    if course.alarmed_today or any(not f.days or f.due < course.as_of for f in own):
        yield physician, say("patient.doctor-today")
    elif own:
        yield physician, say("patient.doctor-soon", due=min(f.due for f in own))
    limiting = [e for e in course.open_side_effects if e.grade == 2]
    if step is None:
        return
    if limiting and not urgent:
        late = step.until is None or step.until < course.as_of
        yield dentist, say("patient.dentist") if late else say("patient.dentist-soon", due=step.until)
    elif step.whose_move is Party.DENTIST and step.outcome in (Step.DENTIST_REVIEW, Step.STEP_BACK) and not urgent:
        yield dentist, say("patient.dentist")


def _with_the_appliance(course: Course, stage: Stage, step: Decision | None, advances: bool) -> Iterator[Reason]:
    if course.out_of_use:
        yield say("patient.out-of-use")
        return
    if course.setting is None:
        return
    if advances and step and step.target_left_mm is not None and step.target_right_mm is not None:
        yield say("patient.advance", target=sides(step.target_left_mm, step.target_right_mm))
    elif stage.name is StageName.TEST_ORDERED:
        yield say("patient.keep-for-test", setting=sides(*course.setting.pair))
    else:
        yield say("patient.keep", setting=sides(*course.setting.pair))
    yield say("patient.wear")


def _check_in(course: Course, due: date, thresholds: Thresholds) -> Reason:
    last = silent_since(course)
    if last is not None and (course.as_of - last).days >= thresholds.report_days.value:
        return say("patient.check-in-late", last=last)
    return say("patient.check-in", due=due)


def _next_check_in(course: Course, thresholds: Thresholds) -> date:
    since = course.check_ins[-1].moment.day if course.check_ins else (course.onset or course.as_of)
    return max(since + timedelta(days=int(thresholds.check_in_interval_days.value)), course.as_of)
