"""The next titration step: advance, hold, step back, or hand over to a test or a review.

One step at a time, by symptoms, inside the appliance's and the site's limit (common practice, no source;
plateau of benefit: Ma 2020, doi 10.5664/jcsm.8556). A dentist directs every change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from service.rules.arrival import geometry_questions
from service.rules.course import GRADE_THAT_STOPS_WEAR, Course, course_on
from service.rules.decision import Criterion, Decision, Measured, Party, Readiness, Status, Step
from service.rules.ended import as_clause, treatment_ended, who_follows
from service.rules.facts import CaseFacts
from service.rules.holding import (
    Hold,
    came_with_step,
    hold_for_reports,
    hold_for_side_effects,
    hold_for_time,
    hold_for_wear,
    not_at_work,
    side_effect_reason,
)
from service.rules.kinds import PhysicianChoice
from service.rules.reason import Reason, say
from service.rules.relapse import relapse
from service.rules.room import at_limit, open_when_set, taken_back_for_side_effect
from service.rules.source import Source
from service.rules.step_size import one_step_back, room_left, step_size_mm
from service.rules.symptoms_told import symptoms_now
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import sides, spoken

RULE = "next-titration-step"
VERSION = "2.1.0"


def next_step(
    facts: CaseFacts, thresholds: Thresholds, readiness: Decision, course: Course | None = None
) -> Decision | None:
    """The next step on the day of `readiness`; None before an appliance and a setting are on record."""
    course = course or course_on(facts, readiness.as_of, thresholds)
    if course.setting is None or course.appliance is None:
        return None
    return (
        _handed_over(course, thresholds, readiness)
        or _for_the_dentist(course, readiness, "appliance-delivered")
        or _impossible(course, thresholds)
        or _for_side_effects(course, thresholds)
        or _time_is_up(course, readiness)
        or _by_the_physician(course, thresholds)
        or _uneven(course, thresholds, readiness)
        or _for_symptoms(course, thresholds, readiness)
        or _back_without_reason(course, facts, thresholds)
        or _after_a_step_back(course, facts, thresholds)
        or _not_at_work(course)
        or _advance(course, thresholds, say("step.unsettled"))
    )


def _handed_over(course: Course, thresholds: Thresholds, readiness: Decision) -> Decision | None:
    """No change of setting, because somebody stops, a test is due, ordered or made, or the physician decides."""
    outcome, mover = readiness.outcome, readiness.whose_move
    if outcome == Readiness.STOP_AND_REVIEW:
        step = Step.PHYSICIAN_REVIEW if mover is Party.PHYSICIAN else Step.DENTIST_REVIEW
        words = "step.stop-wearing" if course.grade_three else "step.no-change"
        sentence = say(words, why=readiness.sentence)
        return _step(course, step, sentence, mover, urgent=True, until=readiness.until, follows=readiness)
    ended = treatment_ended(course)
    if ended:
        return _step(course, Step.HOLD, say("step.ended", why=as_clause(ended)), who_follows(course), criteria=(ended,))
    if outcome == Readiness.ORDERED:
        return _step(course, Step.HOLD, say("step.frozen", why=readiness.sentence), mover, follows=readiness)
    if outcome == Readiness.RESULT_IN:
        step = Step.HOLD if mover is Party.SLEEP_LAB else Step.PHYSICIAN_REVIEW
        why, until, urgent = say("step.stay", why=readiness.sentence), readiness.until, readiness.urgent
        return _step(course, step, why, mover, until=until, urgent=urgent, follows=readiness)
    again = relapse(course, thresholds)
    if again:
        why, read, used = say("step.relapse", why=again.sentence), again.inputs, again.thresholds
        return _step(course, Step.PHYSICIAN_REVIEW, why, Party.PHYSICIAN, read=read, compared=used)
    if outcome == Readiness.DECIDED:
        sentence = say("step.no-change", why=readiness.sentence)
        return _step(course, Step.HOLD, sentence, mover, until=readiness.until, follows=readiness)
    if outcome in (Readiness.READY, Readiness.READY_AT_LIMIT):
        sentence = say("step.stay", why=readiness.sentence)
        return _step(course, Step.REQUEST_TEST, sentence, Party.PHYSICIAN, follows=readiness)
    return None


def _time_is_up(course: Course, readiness: Decision) -> Decision | None:
    """The physician is asked how to go on; a side effect or an impossible setting is the dentist's before that."""
    if readiness.outcome != Readiness.ASK_PHYSICIAN:
        return None
    why = say("step.stay", why=readiness.sentence)
    return _step(course, Step.PHYSICIAN_REVIEW, why, Party.PHYSICIAN, follows=readiness)


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
    follows: Decision | None = None,
    read: Sequence[Source] = (),
    compared: Sequence[Threshold] = (),
) -> Decision:
    setting = course.setting
    assert setting
    here = Criterion(
        "current-setting",
        "Current setting",
        Status.MET,
        say("step.setting", setting=sides(*setting.pair), since=course.onset or course.as_of),
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
        read_besides=tuple(sorted({*read, *(follows.inputs if follows else ())})),
        compared_besides=(*compared, *(follows.thresholds if follows else ())),
    )


def _for_the_dentist(course: Course, readiness: Decision, name: str) -> Decision | None:
    """A review when that criterion waits for the dentist: an appliance out of use, or uneven sides."""
    item = readiness.criterion(name)
    if not item.needs:
        return None
    return _step(course, Step.DENTIST_REVIEW, item.sentence, Party.DENTIST, criteria=(item,))


def _impossible(course: Course, thresholds: Thresholds) -> Decision | None:
    """A recorded setting that a later measurement makes impossible is the dentist's question."""
    asked = geometry_questions(course, thresholds)
    return _step(course, Step.DENTIST_REVIEW, asked[0], Party.DENTIST) if asked else None


def _uneven(course: Course, thresholds: Thresholds, readiness: Decision) -> Decision | None:
    """Sides that are far apart go to the dentist, also when they are meant to be."""
    found = _for_the_dentist(course, readiness, "setting-stable")
    setting, limit = course.setting, thresholds.sides_review_mm
    assert setting
    apart = abs(setting.left_mm - setting.right_mm)
    if found or apart <= limit.value or any(s.reason for s in course.run):
        return found
    sentence = say("step.far-apart", setting=sides(*setting.pair), apart=apart, limit=limit.value)
    return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST)


def _for_side_effects(course: Course, thresholds: Thresholds) -> Decision | None:
    """Hold while a limiting side effect is open; step back when it came with the last step and stays."""
    limit = thresholds.side_effect_grade
    limiting = [e for e in course.open_side_effects if limit.value <= e.grade < GRADE_THAT_STOPS_WEAR]
    if not limiting:
        return None
    worst = limiting[0]
    reasons = tuple(side_effect_reason(course, e, thresholds) for e in limiting)
    due = worst.onset + timedelta(days=int(thresholds.side_effect_days.value))
    told = {"kind": spoken(worst.kind), "grade": worst.grade, "since": worst.onset}
    if not any(came_with_step(course, e, thresholds) for e in limiting):
        sentence = say("step.side-effect", **told, due=due, days=thresholds.side_effect_persisting_days.value)
        return _step(course, Step.HOLD, sentence, Party.DENTIST, criteria=reasons, until=due)
    target = one_step_back(course, thresholds)
    if target is None:
        sentence = say("step.side-effect-at-start", **told)
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=reasons, until=due)
    sentence = say("step.back", **told, target=sides(*target))
    found = _step(course, Step.STEP_BACK, sentence, Party.DENTIST, criteria=reasons, target=target, until=due)
    if abs(target[0] - target[1]) > thresholds.sides_review_mm.value:
        words = say("step.back-far-apart", **told, target=sides(*target), apart=abs(target[0] - target[1]))
        return replace(found, outcome=Step.DENTIST_REVIEW.value, sentence=words)
    return found


def _by_the_physician(course: Course, thresholds: Thresholds) -> Decision | None:
    """One step when the physician asked for more advancement and another test, until it is taken."""
    last = course.decided
    if last is None or last.choice is not PhysicianChoice.ADVANCE_AND_RETEST:
        return None
    if course.onset is None or course.onset > last.moment.day:
        return None
    doubted = hold_for_reports(course, thresholds)
    held = doubted or hold_for_side_effects(course, thresholds)
    if held:
        return _held(course, held, Party.DENTIST if doubted else Party.PATIENT)
    read = {last.source, *(course.result.test.sources if course.result else ())}
    return replace(_advance(course, thresholds, say("step.physician-asks")), read_besides=tuple(sorted(read)))


def _for_symptoms(course: Course, thresholds: Thresholds, readiness: Decision) -> Decision | None:
    """Hold while symptoms are unknown, settled or doubtful, or the time and wear for a step are not there yet."""
    now = symptoms_now(course, thresholds)
    assert course.onset
    if now is None:
        last = course.check_ins[-1].moment.day if course.check_ins else course.onset
        due = last + timedelta(days=int(thresholds.check_in_interval_days.value))
        words = "step.await-check-in" if due > course.as_of else "step.missed-check-in"
        read, used = [c.source for c in course.check_ins[-1:]], (thresholds.check_in_interval_days,)
        return _step(course, Step.HOLD, say(words, due=due), Party.PATIENT, until=due, read=read, compared=used)
    reasons = tuple(readiness.criterion(n) for n in ("snoring-settled", "sleepiness-settled", "no-witnessed-pauses"))
    if now.settled:
        stable_on = course.onset + timedelta(days=int(thresholds.stable_days.value))
        words = "step.settled" if stable_on > course.as_of else "step.settled-stable"
        sentence = say(words, on=now.last_on, stable=stable_on)
        used = (thresholds.stable_days,)
        return _step(course, Step.HOLD, sentence, Party.PATIENT, criteria=reasons, until=stable_on, compared=used)
    for held, mover in (
        (hold_for_reports(course, thresholds), Party.DENTIST),
        (hold_for_side_effects(course, thresholds), Party.PATIENT),
        (hold_for_time(course, thresholds), Party.PATIENT),
        (hold_for_wear(course, thresholds), Party.PATIENT),
    ):
        if held:
            return _held(course, held, mover, reasons)
    return None


def _held(course: Course, held: Hold, mover: Party, reasons: tuple[Criterion, ...] = ()) -> Decision:
    """A hold with its sentence, its last day and what it rests on."""
    return _step(
        course,
        Step.HOLD,
        held.sentence,
        mover,
        criteria=reasons,
        until=held.until,
        read=held.sources,
        compared=held.thresholds,
    )


def _back_without_reason(course: Course, facts: CaseFacts, thresholds: Thresholds) -> Decision | None:
    """A step that the dentist took back without a reason is not advised again until the reason is asked."""
    setting, before = course.setting, course.previous
    assert setting
    if before is None or sum(setting.pair) >= sum(before.pair) or any(s.reason for s in course.run):
        return None
    if taken_back_for_side_effect(course, facts, thresholds):
        return None
    sentence = say("step.back-without-reason", on=course.onset or course.as_of, before=sides(*before.pair))
    return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST)


def _after_a_step_back(course: Course, facts: CaseFacts, thresholds: Thresholds) -> Decision | None:
    """Hold after a step was taken back for a side effect: advancing again would bring it back."""
    if not taken_back_for_side_effect(course, facts, thresholds):
        return None
    assert course.onset
    stable_on = course.onset + timedelta(days=int(thresholds.stable_days.value))
    before = (course.previous,) if course.previous else ()
    read = tuple(f.source for f in (*before, *open_when_set(course, facts)))
    held = _step(course, Step.HOLD, say("step.after-step-back"), Party.PATIENT, until=stable_on)
    return replace(held, read_besides=read)


def _not_at_work(course: Course) -> Decision | None:
    """No step is advised while the dental office does not direct the treatment: on hold, or complete."""
    why = not_at_work(course)
    return _step(course, Step.HOLD, why, Party.DENTIST) if why else None


def _advance(course: Course, thresholds: Thresholds, why: Reason) -> Decision:
    """One step further, as far as appliance, standard parts and site allow."""
    setting = course.setting
    assert setting
    reason = room_left(course, thresholds)
    if at_limit(course, thresholds) or step_size_mm(course, thresholds, beyond_standard=True) <= 0:
        sentence = say("step.no-room", why=why)
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=(reason,))
    size, standard = step_size_mm(course, thresholds), thresholds.standard_parts_mm.value
    if size <= 0:
        sentence = say("step.standard-parts", why=why, setting=sides(*setting.pair), standard=standard)
        return _step(course, Step.DENTIST_REVIEW, sentence, Party.DENTIST, criteria=(reason,))
    target, goal = (setting.left_mm + size, setting.right_mm + size), thresholds.goal_mm
    words = "step.advance-past-goal" if max(target) > goal.value else "step.advance"
    sentence = say(words, target=sides(*target), why=why, goal=goal.value)
    return _step(course, Step.ADVANCE, sentence, Party.PATIENT, criteria=(reason,), target=target, until=course.as_of)
