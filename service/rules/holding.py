"""What holds back a titration step although symptoms are left: doubtful reports, side effects, time, wear."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.criteria_of_wear import exact, recent_nights, wear_of
from service.rules.decision import Criterion, Measured, Status
from service.rules.facts import SideEffect
from service.rules.kinds import ReferralState
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import number, rounded, spoken
from service.rules.worsening import answered_on, asked_about, disagreement


@dataclass(frozen=True, slots=True)
class Hold:
    """Why a step is held back, until when if that is known, and what it rests on."""

    sentence: Reason
    until: date | None
    sources: tuple[Source, ...] = ()
    thresholds: tuple[Threshold, ...] = ()


_NIGHTS_OF_A_WEEK = 7


def hold_for_reports(course: Course, thresholds: Thresholds) -> Hold | None:
    """A rise in sleepiness that is asked about, or reports that contradict each other; until the last day of it."""
    answered = answered_on(course.known)
    days = timedelta(days=int(thresholds.answer_days.value))
    asked = asked_about(course.totals, answered, course.as_of, thresholds)
    if asked:
        told = course.totals.told[-1]
        read = tuple(sorted({*told.sources, *course.totals.reference_sources}))
        used = (thresholds.epworth_change, thresholds.epworth_asked_above, thresholds.answer_days)
        return Hold(say("step.asked", why=asked), told.day + days, read, used)
    doubt = disagreement(course.check_ins, answered, course.as_of, thresholds)
    if doubt:
        used = (thresholds.reporters_differ, thresholds.answer_days)
        return Hold(say("step.doubt", why=doubt.sentence), doubt.day + days, doubt.sources, used)
    return None


def hold_for_side_effects(course: Course, thresholds: Thresholds) -> Hold | None:
    """Some days of quiet after a limiting side effect, before the next step."""
    ended = _limited_until(course, thresholds)
    if ended is None:
        return None
    free_on = ended + timedelta(days=int(thresholds.side_effect_free_days.value))
    if course.as_of >= free_on:
        return None
    read = tuple(sorted(e.source for e in course.known.side_effects))
    used = (thresholds.side_effect_grade, thresholds.side_effect_free_days)
    return Hold(say("step.quiet", free=free_on), free_on, read, used)


def _limited_until(course: Course, thresholds: Thresholds) -> date | None:
    """The day the last limiting side effect ended or became mild; None when none was told."""
    by_kind: dict[str, list[SideEffect]] = {}
    for report in sorted(course.known.side_effects, key=lambda r: (r.moment, r.grade, r.source)):
        by_kind.setdefault(report.kind, []).append(report)
    found: list[date] = []
    for reports in by_kind.values():
        for report, after in zip(reports, [*reports[1:], None], strict=True):
            if report.grade < thresholds.side_effect_grade.value:
                continue
            if report.ended_on and report.ended_on <= course.as_of:
                found.append(report.ended_on)
            elif after is not None:
                found.append(after.moment.day)
    return max(found, default=None)


def hold_for_time(course: Course, thresholds: Thresholds) -> Hold | None:
    """The days that a setting is kept before the next step, more of them while a mild side effect is open."""
    assert course.onset
    days, mild = int(thresholds.step_days.value), [e for e in course.open_side_effects if e.grade == 1]
    if mild:
        days *= int(thresholds.mild_side_effect_times.value)
    free_on = course.onset + timedelta(days=days)
    if course.as_of >= free_on:
        return None
    if mild:
        sentence = say("step.time-mild", free=free_on, days=days, kind=spoken(mild[0].kind))
        used = (thresholds.step_days, thresholds.mild_side_effect_times)
        return Hold(sentence, free_on, tuple(e.source for e in mild), used)
    return Hold(say("step.time", free=free_on, days=days), free_on, (), (thresholds.step_days,))


def hold_for_wear(course: Course, thresholds: Thresholds) -> Hold | None:
    """Fewer nights worn of the last seven known ones than a step asks for."""
    last = recent_nights(course, thresholds)[-_NIGHTS_OF_A_WEEK:]
    asked = thresholds.step_nights_of_seven.value
    if not last:
        return Hold(say("step.wear-untold"), None, (), (thresholds.step_nights_of_seven,))
    worn = exact(wear_of(last).worn)
    if worn >= asked:
        return None
    told = number(rounded(worn, "0.1"))
    read = tuple(sorted({s for n in last for s in n.sources}))
    sentence = say("step.wear", worn=told, known=len(last), asked=asked)
    return Hold(sentence, None, read, (thresholds.step_nights_of_seven,))


def came_with_step(course: Course, effect: SideEffect, thresholds: Thresholds) -> bool:
    """Whether a side effect came with the current step and has lasted longer than it may."""
    lasted = (course.as_of - effect.onset).days
    new = course.previous is not None and course.onset is not None and effect.onset >= course.onset
    return new and lasted > thresholds.side_effect_persisting_days.value


def side_effect_reason(course: Course, effect: SideEffect, thresholds: Thresholds) -> Criterion:
    """The unmet criterion of an open side effect: its grade, and for how long."""
    lasted = (course.as_of - effect.onset).days
    kind = spoken(effect.kind).capitalize()
    return Criterion(
        f"side-effect-{effect.kind}",
        kind,
        Status.UNMET,
        say("step.side-effect-open", kind=kind, grade=effect.grade, days=lasted),
        observed=(Measured(Decimal(effect.grade), "{score}"), Measured(Decimal(lasted), "d")),
        thresholds=(thresholds.side_effect_grade, thresholds.side_effect_persisting_days),
        inputs=(effect.source,),
    )


_NOT_AT_WORK = {ReferralState.ON_HOLD: "step.on-hold", ReferralState.COMPLETED: "step.completed"}


def not_at_work(course: Course) -> Reason | None:
    """Why the dental office does not direct the treatment now: the referral is on hold, or complete; None when it does."""
    referral = course.known.referral
    words = _NOT_AT_WORK.get(referral.state) if referral else None
    return say(words) if words else None
