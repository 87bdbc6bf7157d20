"""The next titration step: advance, hold, step back, or hand over to a test or a review.

One step at a time, by symptoms, inside the appliance's and the site's limit (common practice, no source;
plateau of benefit: Ma 2020, doi 10.5664/jcsm.8556). A dentist directs every change.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from service.rules.adequate_tests import adequate_test, tested_this_setting
from service.rules.check_in_dates import is_fresh
from service.rules.course import Course, at_limit, course_on, open_when_set, taken_back_for_side_effect
from service.rules.decision import Criterion, Decision, Measured, Party, Readiness, Status, Step
from service.rules.ended import as_clause, treatment_ended, who_follows
from service.rules.facts import CaseFacts, CheckIn, SideEffect
from service.rules.kinds import PhysicianChoice
from service.rules.relapse import relapse
from service.rules.step_size import one_step_back, room_left, step_size_mm
from service.rules.symptoms_told import last_with_symptoms, symptoms_settled
from service.rules.thresholds import Thresholds
from service.rules.wear_reports import WearReport, wear_reports
from service.rules.words import count, day, listed, number, sides, spoken

RULE = "next-titration-step"
VERSION = "1.2.0"

_GRADE_THAT_STOPS_WEAR = 3
_NIGHTS_OF_A_WEEK = 7


def next_step(
    facts: CaseFacts, thresholds: Thresholds, readiness: Decision, course: Course | None = None
) -> Decision | None:
    """The next step on the day of `readiness`; None before an appliance and a setting are on record."""
    course = course or course_on(facts, readiness.as_of)
    if course.setting is None or course.appliance is None:
        return None
    if readiness.outcome == Readiness.STOP_AND_REVIEW:
        step = Step.PHYSICIAN_REVIEW if readiness.whose_move is Party.PHYSICIAN else Step.DENTIST_REVIEW
        return _step(course, step, f"No change of setting. {readiness.sentence}", readiness.whose_move, urgent=True)
    ended = treatment_ended(course)
    if ended:
        sentence = f"No change of setting: {as_clause(ended)}"
        return _step(course, Step.HOLD, sentence, who_follows(course), criteria=(ended,))
    if readiness.outcome in (Readiness.READY, Readiness.READY_AT_LIMIT):
        return _step(course, Step.REQUEST_TEST, f"Stay at this setting. {readiness.sentence}", Party.PHYSICIAN)
    return (
        _for_the_dentist(course, readiness, "appliance-delivered")
        or _for_side_effects(course, thresholds)
        or _after_a_test(course, thresholds, readiness)
        or _for_the_dentist(course, readiness, "setting-stable")
        or _for_symptoms(course, thresholds, readiness)
        or _after_a_step_back(course, facts, thresholds)
        or _advance(course, thresholds)
    )


_UNSETTLED = "symptoms are not settled yet"
_BY_THE_PHYSICIAN = "the physician asks for more advancement and another test"


def _after_a_test(course: Course, thresholds: Thresholds, readiness: Decision) -> Decision | None:
    """Once this setting is tested, what the physician decided on or after the day of the last test.

    Symptoms after a good test, at this setting or an earlier one, go to the physician.
    """
    tested = readiness.criterion("not-already-tested")
    again = relapse(course, thresholds)
    if again:
        sentence = f"No change of setting. {again.sentence} The physician reviews them."
        return _step(course, Step.PHYSICIAN_REVIEW, sentence, Party.PHYSICIAN, criteria=(tested,))
    if tested.status is not Status.UNMET:
        return None
    tested_on = max(
        t.day for t in course.efficacy_tests if tested_this_setting(course, t) and adequate_test(t, thresholds)
    )
    made = [d for d in course.decisions if d.moment.day >= tested_on]
    last = made[-1] if made else None
    if last is None:
        sentence = f"Stay at this setting. {tested.sentence}"
        return _step(course, Step.PHYSICIAN_REVIEW, sentence, Party.PHYSICIAN, criteria=(tested,))
    if last.choice is PhysicianChoice.ADVANCE_AND_RETEST:
        return replace(_advance(course, thresholds, _BY_THE_PHYSICIAN), read_besides=(*tested.inputs, last.source))
    sentence = f"No change of setting: the physician decided on {day(last.moment.day)} after the test."
    mover = Party.DENTIST if last.choice is PhysicianChoice.CONTINUE else Party.PHYSICIAN
    return replace(_step(course, Step.HOLD, sentence, mover, criteria=(tested,)), read_besides=(last.source,))


def _step(
    course: Course,
    step: Step,
    sentence: str,
    whose_move: Party,
    *,
    criteria: tuple[Criterion, ...] = (),
    target: tuple[Decimal, Decimal] | None = None,
    until: date | None = None,
    urgent: bool = False,
) -> Decision:
    setting = course.setting
    assert setting
    here = Criterion(
        "current-setting",
        "Current setting",
        Status.MET,
        f"The setting is {sides(*setting.pair)} since {day(course.onset or course.as_of)}.",
        observed=(Measured(setting.left_mm, "mm"), Measured(setting.right_mm, "mm")),
        inputs=tuple(s.source for s in course.run),
    )
    left, right = target or setting.pair
    return Decision(
        RULE,
        VERSION,
        course.as_of,
        step.value,
        sentence,
        (here, *criteria),
        whose_move,
        urgent,
        until=until,
        target_left_mm=left,
        target_right_mm=right,
    )


def _for_side_effects(course: Course, thresholds: Thresholds) -> Decision | None:
    """Hold while a limiting side effect is open; step back when it stops wear or came with the last step and stays."""
    limit = thresholds.side_effect_grade
    limiting = [e for e in course.open_side_effects if e.grade >= limit.value]
    if not limiting:
        return None
    worst = limiting[0]
    persisting = thresholds.side_effect_persisting_days
    reasons = tuple(_side_effect_reason(course, e, thresholds) for e in limiting)
    step_back = worst.grade >= _GRADE_THAT_STOPS_WEAR or any(_came_with_step(course, e, thresholds) for e in limiting)
    what = f"{spoken(worst.kind)} of grade {worst.grade} since {day(worst.onset)}"
    if not step_back:
        sentence = (
            f"Hold this setting while {what} is open; step back if it came with the last step and lasts more than "
            f"{number(persisting.value)} days ({persisting.cited})."
        )
        return _step(course, Step.HOLD, sentence, Party.DENTIST, criteria=reasons)
    target = one_step_back(course, thresholds)
    if target is None:
        sentence = f"The dentist reviews {what}: the setting is already at its starting position."
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=reasons)
    sentence = f"Step back to {sides(*target)} because of {what}, by the dentist's direction ({limit.cited})."
    return _step(course, Step.STEP_BACK, sentence, Party.DENTIST, criteria=reasons, target=target)


def _came_with_step(course: Course, effect: SideEffect, thresholds: Thresholds) -> bool:
    lasted = (course.as_of - effect.onset).days
    new = course.previous is not None and course.onset is not None and effect.onset >= course.onset
    return new and lasted > thresholds.side_effect_persisting_days.value


def _side_effect_reason(course: Course, effect: SideEffect, thresholds: Thresholds) -> Criterion:
    lasted = (course.as_of - effect.onset).days
    return Criterion(
        f"side-effect-{effect.kind}",
        spoken(effect.kind).capitalize(),
        Status.UNMET,
        f"{spoken(effect.kind).capitalize()} of grade {effect.grade} has been open for {count(lasted, 'day')}.",
        observed=(Measured(Decimal(effect.grade), "{score}"), Measured(Decimal(lasted), "d")),
        thresholds=(thresholds.side_effect_grade, thresholds.side_effect_persisting_days),
        inputs=(effect.source,),
    )


def _for_the_dentist(course: Course, readiness: Decision, name: str) -> Decision | None:
    """A review when that criterion waits for the dentist: an appliance out of use, or uneven sides."""
    item = readiness.criterion(name)
    if not item.needs:
        return None
    return _step(course, Step.DENTIST_REVIEW, item.sentence, Party.DENTIST, criteria=(item,))


def _for_symptoms(course: Course, thresholds: Thresholds, readiness: Decision) -> Decision | None:
    """Hold while symptoms are unknown, settled, or the time and wear for a step are not there yet."""
    last = last_with_symptoms(course, thresholds)
    every = timedelta(days=int(thresholds.check_in_interval_days.value))
    assert course.onset
    if last is None:
        told = _fresh_check_ins(course, thresholds)
        due = (told[-1].moment.day if told else course.onset) + every
        verb = "is" if due > course.as_of else "was"
        sentence = f"Hold this setting until a check-in tells how it works; one {verb} due on {day(due)}."
        return _step(course, Step.HOLD, sentence, Party.PATIENT, until=due)
    reasons = tuple(readiness.criterion(n) for n in ("snoring-settled", "sleepiness-settled", "no-witnessed-pauses"))
    if symptoms_settled(course, thresholds):
        stable_on = course.onset + timedelta(days=int(thresholds.stable_days.value))
        counts = "counts" if stable_on > course.as_of else "has counted"
        sentence = (
            f"Hold this setting: symptoms were settled at the check-in of {day(last.moment.day)}. It {counts} as stable "
            f"from {day(stable_on)}."
        )
        return _step(course, Step.HOLD, sentence, Party.PATIENT, criteria=reasons, until=stable_on)
    free_on = course.onset + timedelta(days=int(thresholds.step_days.value))
    if course.as_of < free_on:
        sentence = (
            f"Hold this setting until {day(free_on)}: a setting is kept for {number(thresholds.step_days.value)} days "
            f"before the next step ({thresholds.step_days.cited})."
        )
        return _step(course, Step.HOLD, sentence, Party.PATIENT, criteria=reasons, until=free_on)
    return _for_wear(course, thresholds)


def _fresh_check_ins(course: Course, thresholds: Thresholds) -> list[CheckIn]:
    return [c for c in course.check_ins if is_fresh(course, c.moment, thresholds)]


def _for_wear(course: Course, thresholds: Thresholds) -> Decision | None:
    """Hold when the last reports, back over a week of nights, are under the share of it that a step asks for."""
    asked = thresholds.step_nights_of_seven
    reports: list[WearReport] = []
    for report in reversed(wear_reports(_fresh_check_ins(course, thresholds))):
        if sum(r.nights_reported for r in reports) < _NIGHTS_OF_A_WEEK:
            reports.insert(0, report)
    if not reports:
        sentence = "Hold this setting: no recent check-in since the last step tells on how many nights it was worn."
        return _step(course, Step.HOLD, sentence, Party.PATIENT)
    worn, reported = sum(r.nights_worn for r in reports), sum(r.nights_reported for r in reports)
    if worn * _NIGHTS_OF_A_WEEK >= asked.value * reported:
        return None
    told = listed([day(r.check_in.moment.day) for r in reports])
    reason = Criterion(
        "worn-for-a-step",
        "Worn enough for a step",
        Status.UNMET,
        f"Worn on {worn} of {reported} nights at the {'check-in' if len(reports) == 1 else 'check-ins'} of {told}; "
        f"{number(asked.value)} of 7 are asked before a step ({asked.cited}).",
        observed=(Measured(Decimal(worn), "d"), Measured(Decimal(reported), "d")),
        thresholds=(asked,),
        inputs=tuple(s for r in reports for s in r.sources),
    )
    return _step(course, Step.HOLD, f"Hold this setting. {reason.sentence}", Party.PATIENT, criteria=(reason,))


def _after_a_step_back(course: Course, facts: CaseFacts, thresholds: Thresholds) -> Decision | None:
    """Hold after a step was taken back for a side effect: advancing again would bring it back."""
    if not taken_back_for_side_effect(course, facts, thresholds):
        return None
    assert course.onset
    stable_on = course.onset + timedelta(days=int(thresholds.stable_days.value))
    sentence = (
        f"Hold this setting: {_UNSETTLED}, but the last step was taken back for a side effect. When the setting is "
        "stable the case goes to an efficacy test at the limit."
    )
    before = (course.previous,) if course.previous else ()
    read = tuple(f.source for f in (*before, *open_when_set(course, facts)))
    return replace(_step(course, Step.HOLD, sentence, Party.PATIENT, until=stable_on), read_besides=read)


def _advance(course: Course, thresholds: Thresholds, why: str = _UNSETTLED) -> Decision:
    """One step further, as far as appliance, standard parts and site allow."""
    setting = course.setting
    assert setting
    reason = room_left(course, thresholds)
    if at_limit(course, thresholds):
        sentence = (
            f"The dentist reviews: {why}, and the appliance cannot be advanced further. When the setting "
            "is stable the case goes to an efficacy test at the limit."
        )
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=(reason,))
    standard = thresholds.standard_parts_mm
    size = step_size_mm(course, thresholds)
    if size <= 0:
        sentence = (
            f"The dentist reviews: {why} at {sides(*setting.pair)}; beyond {number(standard.value)} mm a "
            f"step is taken only by the dentist's direction ({standard.cited})."
        )
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=(reason,))
    target = (setting.left_mm + size, setting.right_mm + size)
    goal = thresholds.goal_mm
    passed = (
        f" This passes the typical goal of {number(goal.value)} mm ({goal.cited})." if max(target) > goal.value else ""
    )
    sentence = f"Advance one step, to {sides(*target)}: {why}.{passed}"
    return _step(course, Step.ADVANCE, sentence, Party.PATIENT, criteria=(reason,), target=target, until=course.as_of)
