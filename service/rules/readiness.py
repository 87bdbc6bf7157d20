"""Is the case ready for an efficacy test? A stable setting plus symptom resolution.

Symptom relief is not an accurate marker of efficacy (doi 10.1007/s11325-022-02569-3), so `ready` means
ready to be tested, never treated. A sleep physician orders the test (AASM/AADSM 2015,
doi 10.5664/jcsm.4858).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from service.rules.course import Course, course_on
from service.rules.criteria_of_state import (
    appliance_delivered,
    baseline_known,
    not_already_tested,
    setting_stable,
    tolerated,
)
from service.rules.criteria_of_symptoms import no_witnessed_pauses, sleepiness_settled, snoring_settled
from service.rules.criteria_of_wear import recent_days, worn_enough
from service.rules.decision import Criterion, Decision, Party, Readiness, Status
from service.rules.ended import as_clause, treatment_ended, who_follows
from service.rules.facts import CaseFacts
from service.rules.not_counted import with_not_counted
from service.rules.readiness_decision import RULE, VERSION, decision_of
from service.rules.reason import say
from service.rules.relapse import relapse
from service.rules.room import at_limit, open_when_set, taken_back_for_side_effect
from service.rules.settled_by_others import after_decision, ordered, result_waits, stop
from service.rules.source import Source
from service.rules.step_size import limits_compared, limits_read, step_size_mm
from service.rules.thresholds import Thresholds
from service.rules.time_up import time_is_up
from service.rules.words import sides

__all__ = ["RULE", "VERSION", "assess_readiness", "readiness_criteria", "ready_since"]
SYMPTOMS = ("snoring-settled", "sleepiness-settled", "no-witnessed-pauses")
_SINCE_THE_SETTING = ("worn-enough", "snoring-settled", "sleepiness-settled")


def assess_readiness(facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None) -> Decision:
    """The readiness of a case on `as_of`, with every criterion explained; `course` is that of the day, if at hand.

    The first that applies: somebody stops, treatment is over, a test is ordered, a result waits, the physician has
    decided, ready, ready at the limit, the time is up, something is unknown, not yet. A ready case whose time is up is
    ready: the physician is asked for the same test.
    """
    course = course or course_on(facts, as_of, thresholds)
    return with_not_counted(_assess(facts, thresholds, course), course.known.not_counted)


def _assess(facts: CaseFacts, thresholds: Thresholds, course: Course) -> Decision:
    criteria = readiness_criteria(course, thresholds)
    decided = stop(course, criteria) or _over(course, criteria) or ordered(course, criteria)
    decided = decided or result_waits(course, criteria) or after_decision(course, criteria)
    if decided is None:
        return _by_criteria(course, facts, criteria, thresholds)
    again = relapse(course, thresholds) if decided.outcome == Readiness.DECIDED else None
    if again is None:
        return decided
    sentence, read = say("stage.relapse", why=again.sentence), tuple(sorted({*decided.read_besides, *again.inputs}))
    return replace(decided, sentence=sentence, whose_move=Party.PHYSICIAN, read_besides=read)


def readiness_criteria(course: Course, thresholds: Thresholds) -> tuple[Criterion, ...]:
    """The nine criteria of readiness, in the order a clinician reads them."""
    return (
        appliance_delivered(course),
        baseline_known(course, thresholds),
        setting_stable(course, thresholds),
        worn_enough(course, thresholds),
        snoring_settled(course, thresholds),
        sleepiness_settled(course, thresholds),
        no_witnessed_pauses(course, thresholds),
        tolerated(course, thresholds),
        not_already_tested(course, thresholds),
    )


def _by_criteria(course: Course, facts: CaseFacts, criteria: tuple[Criterion, ...], thresholds: Thresholds) -> Decision:
    unmet = [c for c in criteria if c.status is Status.UNMET]
    unknown = [c for c in criteria if c.status is Status.UNKNOWN]
    if not unmet and not unknown:
        return _ready(course, criteria)
    only_symptoms = not unknown and all(c.name in SYMPTOMS for c in unmet)
    limit = _why_no_further(course, facts, thresholds)
    if only_symptoms and limit:
        return _ready_at_limit(course, facts, criteria, unmet, limit, thresholds)
    late = time_is_up(course, thresholds)
    if late:
        return _ask_physician(course, criteria, [*unmet, *unknown], late, thresholds)
    if unknown and not unmet:
        return _cannot_say(course, criteria, unknown)
    return _not_yet(course, facts, criteria, unmet, unknown, thresholds)


def _why_no_further(course: Course, facts: CaseFacts, thresholds: Thresholds) -> str | None:
    """Why no further advancement is possible, so that symptoms alone keep no test back; None while one is."""
    wanted = course.no_further
    if wanted:
        return say("ready.dentist-no-further", reason=wanted.no_further)
    if at_limit(course, thresholds) or (course.setting and _no_step_fits(course, thresholds)):
        return say("ready.no-room")
    if taken_back_for_side_effect(course, facts, thresholds):
        return say("ready.taken-back")
    return None


def _no_step_fits(course: Course, thresholds: Thresholds) -> bool:
    """Whether no whole step of the appliance fits below its own or the site's limit."""
    return step_size_mm(course, thresholds, beyond_standard=True) <= 0


def _over(course: Course, criteria: tuple[Criterion, ...]) -> Decision | None:
    ended = treatment_ended(course)
    if ended is None:
        return None
    outcome = Readiness.DECIDED if course.stopped_on else Readiness.NOT_YET
    sentence = ended.sentence if course.stopped_on else say("ready.over", ended=as_clause(ended))
    return decision_of(course, (ended, *criteria), outcome, sentence, who_follows(course))


def _cannot_say(course: Course, criteria: tuple[Criterion, ...], unknown: Sequence[Criterion]) -> Decision:
    first = [c for c in unknown if course.setting or c.name not in _SINCE_THE_SETTING]
    sentence = say("ready.cannot-say", missing=tuple(c.missing for c in first))
    return decision_of(course, criteria, Readiness.CANNOT_SAY, sentence, _who_acts(unknown), earliest=_latest(unknown))


def _ready(course: Course, criteria: tuple[Criterion, ...]) -> Decision:
    assert course.setting and course.onset
    sentence = say("ready.ready", setting=sides(*course.setting.pair), since=course.onset)
    return decision_of(course, criteria, Readiness.READY, sentence, Party.PHYSICIAN, earliest=course.as_of)


def _ready_at_limit(
    course: Course,
    facts: CaseFacts,
    criteria: tuple[Criterion, ...],
    unmet: Sequence[Criterion],
    limit: str,
    thresholds: Thresholds,
) -> Decision:
    sentence = say("ready.at-limit", why=tuple(WHEN_UNMET[c.name] for c in unmet), limit=limit)
    read = _limits(course, facts)
    return decision_of(
        course,
        criteria,
        Readiness.READY_AT_LIMIT,
        sentence,
        Party.PHYSICIAN,
        earliest=course.as_of,
        read=read,
        compared=limits_compared(thresholds),
    )


def _limits(course: Course, facts: CaseFacts) -> tuple[Source, ...]:
    """What tells whether a further step is possible."""
    before = (course.previous,) if course.previous else ()
    return tuple(sorted({*limits_read(course), *(f.source for f in (*before, *open_when_set(course, facts)))}))


def _ask_physician(
    course: Course,
    criteria: tuple[Criterion, ...],
    open_points: Sequence[Criterion],
    why: str,
    thresholds: Thresholds,
) -> Decision:
    wear = any(c.name == "worn-enough" and c.status is Status.UNMET for c in open_points)
    if wear:
        sentence = say("ready.ask-therapy", why=why)
    else:
        still = tuple(
            WHEN_UNMET[c.name] if c.status is Status.UNMET else f"{c.missing} is not known" for c in open_points
        )
        sentence = say("ready.ask-test", why=why, open=still)
    read = [*(s.source for s in course.settings), *(d.source for d in course.decisions[-1:])]
    compared = (thresholds.titration_days, thresholds.settings_without_gain, thresholds.least_gain)
    return decision_of(
        course, criteria, Readiness.ASK_PHYSICIAN, sentence, Party.PHYSICIAN, read=read, compared=compared
    )


def _not_yet(
    course: Course,
    facts: CaseFacts,
    criteria: tuple[Criterion, ...],
    unmet: Sequence[Criterion],
    unknown: Sequence[Criterion],
    thresholds: Thresholds,
) -> Decision:
    open_points = [*unmet, *unknown]
    why, earliest = tuple(WHEN_UNMET[c.name] for c in unmet), _latest(open_points)
    acts = tuple(c.needs for c in open_points if c.needs)
    if earliest is None and acts:
        sentence = say("ready.not-yet-act", why=why, acts=acts)
    elif earliest is None:
        sentence = say("ready.not-yet-open", why=why)
    else:
        sentence = say("ready.not-yet-date", why=why, earliest=earliest)
    by_limit = all(c.name in SYMPTOMS for c in open_points)
    return decision_of(
        course,
        criteria,
        Readiness.NOT_YET,
        sentence,
        _who_acts(open_points),
        earliest=earliest,
        read=_limits(course, facts) if by_limit else (),
        compared=limits_compared(thresholds) if by_limit else (),
    )


def _latest(open_points: Sequence[Criterion]) -> date | None:
    """The day the last open point could be met; None when one of them waits for somebody to act."""
    days = [c.earliest for c in open_points if c.earliest]
    return max(days) if len(days) == len(open_points) else None


WHEN_UNMET = {
    "appliance-delivered": "the appliance is out of use",
    "setting-stable": "the setting is not stable",
    "worn-enough": "the appliance is not worn enough",
    "snoring-settled": "snoring is not settled",
    "sleepiness-settled": "sleepiness is not settled",
    "no-witnessed-pauses": "pauses in breathing were witnessed",
    "tolerated": "a side effect is not tolerated",
    "not-already-tested": "this setting was already tested",
}

_ACTS = {
    "appliance-delivered": Party.DENTIST,
    "baseline-known": Party.SLEEP_LAB,
    "setting-stable": Party.DENTIST,
    "worn-enough": Party.DENTIST,
    "tolerated": Party.DENTIST,
    "not-already-tested": Party.PHYSICIAN,
}


def _who_acts(open_points: Sequence[Criterion]) -> Party:
    """The party whose act an open point waits for; the patient when only time and reports are missing."""
    for item in open_points:
        if item.needs and item.name in _ACTS:
            return _ACTS[item.name]
    return Party.PATIENT


def ready_since(facts: CaseFacts, thresholds: Thresholds, course: Course) -> date:
    """The first day of the unbroken days up to that of `course` on which the case was ready: of the facts alone.

    Between two days on which something happened readiness stays, so only the days before these are asked; at most some
    months back, by which time it has long been overdue.
    """
    ready = (Readiness.READY, Readiness.READY_AT_LIMIT)
    soonest = course.as_of - timedelta(days=_MOST_DAYS)
    for on in sorted(_turning_days(course, thresholds), reverse=True):
        if on <= soonest:
            return soonest
        if assess_readiness(facts, thresholds, on - timedelta(days=1)).outcome not in ready:
            return on
    return max(course.onset or soonest, soonest)


_MOST_DAYS = 90


def _turning_days(course: Course, thresholds: Thresholds) -> set[date]:
    """The days since the onset of the setting on which a case can have become ready."""
    onset, as_of = course.onset or course.as_of, course.as_of
    stable = onset + timedelta(days=int(thresholds.stable_days.value))
    known = course.known
    facts = (*known.check_ins, *known.settings, *known.side_effects, *known.red_flags, *known.red_flag_closures)
    days = {stable, *(f.moment.day for f in facts), *(t.day for t in known.sleep_tests)}
    days |= {d.moment.day for d in known.physician_decisions} | {e.ended_on for e in known.side_effects if e.ended_on}
    days |= {f.resolved_on for f in known.red_flags if f.resolved_on}
    window = recent_days(thresholds)
    days |= {n.evening + timedelta(days=window + 1) for n in course.ledger.between(onset, as_of)}
    fresh = timedelta(days=int(thresholds.check_in_fresh_days.value) + 1)
    days |= {c.moment.day + fresh for c in known.check_ins}
    return {on for on in days if stable <= on <= as_of}
