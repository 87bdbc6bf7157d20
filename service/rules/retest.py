"""Is the case ready for an efficacy test? A stable setting plus symptom resolution.

Symptom relief is not an accurate marker of efficacy (doi 10.1007/s11325-022-02569-3), so `ready` means
ready to be tested, never treated. A sleep physician orders the test (AASM/AADSM 2015,
doi 10.5664/jcsm.4858).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from service.rules.course import Course, at_limit, course_on, open_when_set, taken_back_for_side_effect
from service.rules.criteria_of_state import (
    RED_FLAG_WORDS,
    appliance_delivered,
    baseline_known,
    not_already_tested,
    red_flag_criteria,
    setting_stable,
    tolerated,
)
from service.rules.criteria_of_symptoms import no_witnessed_pauses, sleepiness_settled, snoring_settled
from service.rules.criteria_of_wear import worn_enough
from service.rules.decision import Criterion, Decision, Party, Readiness, Status
from service.rules.ended import as_clause, treatment_ended, who_follows
from service.rules.facts import CaseFacts
from service.rules.kinds import RedFlagKind
from service.rules.relapse import relapse
from service.rules.step_size import limits_read
from service.rules.thresholds import Thresholds
from service.rules.words import day, listed, sides

RULE = "readiness-for-efficacy-test"
VERSION = "1.2.0"

FOR_THE_DENTIST = frozenset({RedFlagKind.LOCKED_JAW, RedFlagKind.LOOSE_TOOTH, RedFlagKind.BROKEN_APPLIANCE})
_SYMPTOMS = ("snoring-settled", "sleepiness-settled")
_SINCE_THE_SETTING = ("worn-enough", *_SYMPTOMS)


def assess_readiness(facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None) -> Decision:
    """The readiness of a case on `as_of`, with every criterion explained; `course` is that of the day, if at hand."""
    course = course or course_on(facts, as_of)
    criteria = readiness_criteria(course, thresholds)
    if course.open_red_flags:
        return _stop(course, criteria)
    ended = treatment_ended(course)
    if ended:
        return _over(course, (ended, *criteria), ended)
    unmet = [c for c in criteria if c.status is Status.UNMET]
    unknown = [c for c in criteria if c.status is Status.UNKNOWN]
    if unknown and not unmet:
        return _with_relapse(_cannot_say(course, criteria, unknown), course, thresholds)
    if not unmet:
        return _ready(course, criteria)
    only_symptoms = not unknown and all(c.name in _SYMPTOMS for c in unmet)
    limit = _why_no_further(course, facts, thresholds)
    if only_symptoms and limit:
        return _with_limits(_ready_at_limit(course, criteria, unmet, limit), course, facts, thresholds)
    decided = _with_relapse(_not_yet(course, criteria, unmet, unknown), course, thresholds)
    return _with_limits(decided, course, facts, thresholds) if only_symptoms else decided


def readiness_criteria(course: Course, thresholds: Thresholds) -> tuple[Criterion, ...]:
    """The nine criteria of readiness, in the order a clinician reads them."""
    return (
        appliance_delivered(course),
        baseline_known(course),
        setting_stable(course, thresholds),
        worn_enough(course, thresholds),
        snoring_settled(course, thresholds),
        sleepiness_settled(course, thresholds),
        no_witnessed_pauses(course, thresholds),
        tolerated(course, thresholds),
        not_already_tested(course, thresholds),
    )


def _why_no_further(course: Course, facts: CaseFacts, thresholds: Thresholds) -> str | None:
    if at_limit(course, thresholds):
        return "the appliance cannot be advanced further"
    if taken_back_for_side_effect(course, facts, thresholds):
        return "the last step was taken back for a side effect"
    return None


def _decision(
    course: Course,
    criteria: tuple[Criterion, ...],
    outcome: Readiness,
    sentence: str,
    whose_move: Party,
    urgent: bool = False,
    earliest: date | None = None,
) -> Decision:
    return Decision(
        rule=RULE,
        rule_version=VERSION,
        as_of=course.as_of,
        outcome=outcome.value,
        sentence=sentence,
        criteria=criteria,
        whose_move=whose_move,
        urgent=urgent,
        earliest=earliest,
    )


def _stop(course: Course, criteria: tuple[Criterion, ...]) -> Decision:
    flags = red_flag_criteria(course, FOR_THE_DENTIST)
    to_dentist = all(flag.kind in FOR_THE_DENTIST for flag in course.open_red_flags)
    whom = "the dentist, today" if to_dentist else "the physician, urgently"
    if any(f.kind in FOR_THE_DENTIST for f in course.open_red_flags) and not to_dentist:
        whom = "the physician, urgently, and the dentist, today"
    told = listed([RED_FLAG_WORDS[flag.kind] for flag in course.open_red_flags])
    verbs = "was reported and is" if len(flags) == 1 else "were reported and are"
    sentence = f"Stop and review: {told} {verbs} not resolved, for {whom}."
    party = Party.DENTIST if to_dentist else Party.PHYSICIAN
    return _decision(course, flags + criteria, Readiness.STOP_AND_REVIEW, sentence, party, urgent=True)


def _over(course: Course, criteria: tuple[Criterion, ...], ended: Criterion) -> Decision:
    sentence = f"Not ready for an efficacy test: {as_clause(ended)}"
    return _decision(course, criteria, Readiness.NOT_YET, sentence, who_follows(course))


def _cannot_say(course: Course, criteria: tuple[Criterion, ...], unknown: Sequence[Criterion]) -> Decision:
    first = [c for c in unknown if course.setting or c.name not in _SINCE_THE_SETTING]
    sentence = f"Readiness cannot be judged yet: {listed([c.missing for c in first])} must be known first."
    return _decision(course, criteria, Readiness.CANNOT_SAY, sentence, _who_acts(unknown), earliest=_latest(unknown))


def _ready(course: Course, criteria: tuple[Criterion, ...]) -> Decision:
    setting, onset = course.setting, course.onset
    assert setting and onset
    sentence = (
        f"Ready for an efficacy test: {sides(*setting.pair)} since {day(onset)}, worn, tolerated and with symptoms "
        f"settled. Feeling better does not prove that it works; the physician orders the test."
    )
    return _decision(course, criteria, Readiness.READY, sentence, Party.PHYSICIAN, earliest=course.as_of)


def _ready_at_limit(
    course: Course, criteria: tuple[Criterion, ...], unmet: Sequence[Criterion], limit: str
) -> Decision:
    why = listed([_WHEN_UNMET[c.name] for c in unmet])
    sentence = (
        f"Ready for an efficacy test at the limit: {why}, but {limit}. The physician reviews and decides on the test."
    )
    return _decision(course, criteria, Readiness.READY_AT_LIMIT, sentence, Party.PHYSICIAN, earliest=course.as_of)


def _not_yet(
    course: Course,
    criteria: tuple[Criterion, ...],
    unmet: Sequence[Criterion],
    unknown: Sequence[Criterion],
) -> Decision:
    open_points = [*unmet, *unknown]
    acts = [c.needs for c in open_points if c.needs]
    earliest = _latest(open_points)
    when = f"the earliest date is {day(earliest)}" if earliest else f"first, {listed(acts)}"
    sentence = f"Not yet ready for an efficacy test: {listed([_WHEN_UNMET[c.name] for c in unmet])}; {when}."
    return _decision(course, criteria, Readiness.NOT_YET, sentence, _who_acts(open_points), earliest=earliest)


def _with_relapse(decision: Decision, course: Course, thresholds: Thresholds) -> Decision:
    """The decision, handed to the physician when symptoms followed a good test."""
    again = relapse(course, thresholds)
    if again is None:
        return decision
    sentence = f"{decision.sentence} {again.sentence} The physician reviews them."
    return replace(decision, sentence=sentence, whose_move=Party.PHYSICIAN)


def _with_limits(decision: Decision, course: Course, facts: CaseFacts, thresholds: Thresholds) -> Decision:
    """The decision, naming what tells whether a further step is possible: it sets `ready-at-limit` apart."""
    before = (course.previous,) if course.previous else ()
    read = {*limits_read(course), *(f.source for f in (*before, *open_when_set(course, facts)))}
    compared = (thresholds.maximum_percent_of_range, thresholds.smallest_step_mm, thresholds.side_effect_grade)
    return replace(decision, read_besides=tuple(sorted(read)), compared_besides=compared)


def _latest(open_points: Sequence[Criterion]) -> date | None:
    """The day the last open point could be met; None when one of them waits for somebody to act."""
    days = [c.earliest for c in open_points if c.earliest]
    return max(days) if len(days) == len(open_points) else None


_WHEN_UNMET = {
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
