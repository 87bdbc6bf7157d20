"""Readiness criteria from the check-ins since the onset of the current setting. What is older than some weeks is untold."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

from service.rules.check_in_dates import is_fresh, next_check_in
from service.rules.check_ins import Reported, nobody_hears
from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.facts import CheckIn
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds

_REPORTERS = {"bed-partner": "bed partner", "sensor": "sensor", "patient": "patient"}


def fresh_answers(course: Course, name: str, thresholds: Thresholds) -> list[Reported]:
    """What was told of a symptom since the onset of the setting and still speaks for today, in order."""
    return [a for a in course.told[name] if is_fresh(course, a.moment, thresholds)]


def _last_two(course: Course, name: str, thresholds: Thresholds) -> list[Reported]:
    return fresh_answers(course, name, thresholds)[-int(thresholds.check_ins_needed.value) :]


def snoring_settled(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when the last answers since the onset all put snoring at or under the threshold, or when nobody can hear it
    and the patient is rested."""
    limit, last = thresholds.snoring_settled, _last_two(course, "snoring", thresholds)
    heard = _agree(
        course, thresholds, "snoring-settled", "Snoring settled", "snoring", last, limit, lambda v: v <= limit.value
    )
    deaf = nobody_hears([c for c in course.check_ins if is_fresh(course, c.moment, thresholds)])
    if deaf is None or heard.status is Status.UNMET:
        return heard
    loud, told_by = _loud_although_unheard(course, thresholds), deaf.told_by("who_could_hear")
    if loud is not None:
        return _loud(course, loud, told_by, thresholds)
    return _not_heard(course, told_by, thresholds) if heard.status is Status.UNKNOWN else heard


def _loud_although_unheard(course: Course, thresholds: Thresholds) -> CheckIn | None:
    """Of the last reports that tell snoring, by whomever, the last one that tells it as loud; None without one."""
    told = [c for c in course.check_ins if c.snoring is not None and is_fresh(course, c.moment, thresholds)]
    last = told[-int(thresholds.check_ins_needed.value) :]
    return next((c for c in reversed(last) if (c.snoring or 0) > thresholds.snoring_settled.value), None)


def _loud(course: Course, told: CheckIn, unheard: tuple[Source, ...], thresholds: Thresholds) -> Criterion:
    """Snoring that nobody is said to hear and somebody tells as loud: whoever told it, it is not settled."""
    limit, value = thresholds.snoring_settled, told.snoring
    assert value is not None
    sentence = say("ready.not-heard-loud", value=value, on=told.moment.day, limit=limit.value)
    return Criterion(
        "snoring-settled",
        "Snoring settled",
        Status.UNMET,
        sentence,
        (Measured(value, "{score}"),),
        (limit, thresholds.check_ins_needed),
        tuple(sorted({*told.told_by("snoring"), *unheard})),
        earliest=next_check_in(course, thresholds),
    )


def _not_heard(course: Course, told_by: tuple[Source, ...], thresholds: Thresholds) -> Criterion:
    """Snoring that nobody can hear: Epworth must be settled and restedness not low."""
    name, title, asked = "snoring-settled", "Snoring settled", thresholds.restedness_not_heard
    total = _epworth(course, thresholds)
    rested = fresh_answers(course, "restedness", thresholds)[-1:]
    used = (asked, thresholds.epworth_settled)
    inputs = tuple(sorted({*told_by, *(total.inputs if total else ()), *(s for a in rested for s in a.sources)}))
    due = next_check_in(course, thresholds)
    if total is None or not rested:
        what = "an Epworth total" if total is None else "restedness"
        sentence = say("ready.not-heard-asked", what=what)
        return Criterion(name, title, Status.UNKNOWN, sentence, (), used, inputs, earliest=due, missing=what)
    values = {"total": total.observed[0].value, "rested": rested[0].value, "asked": asked.value}
    if total.status is Status.MET and rested[0].value >= asked.value:
        return Criterion(name, title, Status.MET, say("ready.not-heard", **values), (), used, inputs)
    return Criterion(
        name, title, Status.UNMET, say("ready.not-heard-unsettled", **values), (), used, inputs, earliest=due
    )


def sleepiness_settled(course: Course, thresholds: Thresholds) -> Criterion:
    """By the last Epworth total since the onset; by restedness when there is none. Far apart, the two disagree."""
    by_epworth, by_rest = _epworth(course, thresholds), _rested(course, thresholds)
    if by_epworth is None:
        return by_rest
    if by_rest.status is Status.UNKNOWN:
        return by_epworth
    values = [m.value for m in by_rest.observed]
    sleepy = by_epworth.observed[0].value > thresholds.epworth_settled.value
    tired = all(v <= thresholds.tired_restedness.value for v in values)
    rested = all(v >= thresholds.restedness_settled.value for v in values)
    if not ((sleepy and rested) or (not sleepy and tired)):
        return by_epworth
    return replace(
        by_epworth,
        status=Status.UNMET,
        sentence=say("ready.symptoms-disagree", total=by_epworth.observed[0].value, rested=tuple(values)),
        observed=by_epworth.observed + by_rest.observed,
        thresholds=(*by_epworth.thresholds, *by_rest.thresholds, thresholds.tired_restedness),
        inputs=by_epworth.inputs + by_rest.inputs,
        earliest=next_check_in(course, thresholds),
    )


def epworth_is_settled(total: int, course: Course, thresholds: Thresholds) -> bool:
    """Whether an Epworth total is not sleepy, and has not risen in a meaningful way into the range that is asked about."""
    before = course.baseline_epworth.epworth_total if course.baseline_epworth else None
    risen = before is not None and total - before >= thresholds.epworth_change.value
    return total <= thresholds.epworth_settled.value and not (risen and total > thresholds.epworth_asked_above.value)


def _epworth(course: Course, thresholds: Thresholds) -> Criterion | None:
    """Sleepiness by the last Epworth total since the onset; None when there is none that still speaks for today."""
    given = fresh_answers(course, "epworth_total", thresholds)
    if not given:
        return None
    last, limit = given[-1], thresholds.epworth_settled
    before = course.baseline_epworth
    start = before.epworth_total if before else None
    settled = epworth_is_settled(last.value, course, thresholds)
    told = {"total": last.value, "on": last.day, "limit": limit.value}
    sentence = say("ready.epworth", **told) if start is None else say("ready.epworth-before", **told, before=start)
    return Criterion(
        "sleepiness-settled",
        "Sleepiness settled",
        Status.MET if settled else Status.UNMET,
        sentence,
        (Measured(Decimal(last.value), "{score}"),),
        (limit, thresholds.epworth_change, thresholds.epworth_asked_above),
        (*last.sources, *((before.source,) if before else ())),
        earliest=None if settled else next_check_in(course, thresholds),
    )


def _rested(course: Course, thresholds: Thresholds) -> Criterion:
    limit, last = thresholds.restedness_settled, _last_two(course, "restedness", thresholds)
    return _agree(
        course,
        thresholds,
        "sleepiness-settled",
        "Sleepiness settled",
        "restedness",
        last,
        limit,
        lambda v: v >= limit.value,
        "sleepiness by an Epworth total or by ",
    )


def no_witnessed_pauses(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when none was witnessed in the last answers of the last weeks; no answer counts as met, and is asked for."""
    name, title = "no-witnessed-pauses", "No witnessed pauses"
    used = (thresholds.check_ins_needed, thresholds.check_in_fresh_days)
    last = _last_two(course, "witnessed_pauses", thresholds)
    inputs = tuple(s for a in last for s in a.sources)
    seen = [a for a in last if a.value]
    if seen:
        needed = _more_needed(last, lambda a: not a.value, int(thresholds.check_ins_needed.value))
        forgotten = seen[-1].day + timedelta(days=int(thresholds.check_in_fresh_days.value) + 1)
        earliest = min(next_check_in(course, thresholds, needed), max(forgotten, course.as_of + timedelta(days=1)))
        sentence = say("ready.pauses", on=seen[-1].day)
        return Criterion(name, title, Status.UNMET, sentence, (), used, inputs, earliest=earliest)
    sentence = say("ready.no-pauses", on=tuple(a.day for a in last)) if last else say("ready.pauses-untold")
    return Criterion(name, title, Status.MET, sentence, (), used, inputs)


def _agree(
    course: Course,
    thresholds: Thresholds,
    name: str,
    title: str,
    subject: str,
    last: Sequence[Reported],
    limit: Threshold,
    settled: Callable[[Decimal], bool],
    instead_of: str = "",
) -> Criterion:
    """A scale that must be settled at each of the last answers."""
    wanted = int(thresholds.check_ins_needed.value)
    inputs = tuple(s for a in last for s in a.sources)
    observed = tuple(Measured(Decimal(a.value), limit.unit) for a in last)
    used = (limit, thresholds.check_ins_needed, thresholds.check_in_fresh_days)
    earliest = next_check_in(course, thresholds, max(_more_needed(last, lambda a: settled(a.value), wanted), 1))
    if len(last) < wanted:
        still = wanted - len(last)
        sentence = say("ready.answers-too-few", subject=subject, told=len(last), wanted=wanted)
        missing = f"{instead_of}{subject} at {still} more check-in{'s' if still > 1 else ''} since the current setting"
        return Criterion(
            name, title, Status.UNKNOWN, sentence, observed, used, inputs, earliest=earliest, missing=missing
        )
    sentence = _scale_sentence(subject, last, limit)
    if all(settled(a.value) for a in last):
        return Criterion(name, title, Status.MET, sentence, observed, used, inputs)
    return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, earliest=earliest)


def _scale_sentence(subject: str, last: Sequence[Reported], limit: Threshold) -> Reason:
    """The answers with their days and, where not the patient's own, with who told them."""
    told = tuple(
        say("ready.answer", value=a.value, on=a.day)
        if a.reporter == "patient" and not a.others
        else say("ready.answer-by", value=a.value, on=a.day, reporter=_REPORTERS.get(a.reporter, a.reporter))
        for a in last
    )
    return say(f"ready.{subject}", told=told, limit=limit.value)


def _more_needed(last: Sequence[Reported], good: Callable[[Reported], bool], wanted: int) -> int:
    """Good answers still needed until the last `wanted` are there and none of the failing ones is among them."""
    after = len(last) - 1 - max((i for i, answer in enumerate(last) if not good(answer)), default=-1)
    return wanted - after
