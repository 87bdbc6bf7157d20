"""Readiness criteria from the patient's check-ins since the onset of the current setting."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from decimal import Decimal

from service.rules.check_in_dates import is_fresh, next_check_in
from service.rules.check_ins import last_told
from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.source import Moment
from service.rules.thresholds import Threshold, Thresholds
from service.rules.words import count, day, listed, number


def snoring_settled(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when the last check-ins since the onset all put snoring at or under the threshold."""
    limit = thresholds.snoring_settled
    return _last_agree(
        course,
        thresholds,
        "snoring-settled",
        "Snoring settled",
        worst=max,
        settled=lambda v: v <= limit.value,
        limit=limit,
        says=lambda values, when: (
            f"Snoring was {values} of 10 at the last check-ins ({when}); {number(limit.value)} or less counts as settled "
            f"({limit.cited})."
        ),
        subject="snoring",
    )


def sleepiness_settled(course: Course, thresholds: Thresholds) -> Criterion:
    """By the Epworth total since the onset; by restedness when there is none; both must agree when both are there."""
    by_epworth = _epworth(course, thresholds)
    by_rest = _rested(course, thresholds)
    if by_epworth is None:
        return by_rest
    if by_rest.status is Status.UNKNOWN:
        return _epworth_alone(by_epworth, by_rest, thresholds)
    both_used = by_epworth.thresholds + by_rest.thresholds
    both_inputs = by_epworth.inputs + by_rest.inputs
    observed = by_epworth.observed + by_rest.observed
    if by_epworth.status is by_rest.status:
        sentence = f"{by_epworth.sentence} {by_rest.sentence}"
        dates = [d for d in (by_epworth.earliest, by_rest.earliest) if d]
        return Criterion(
            by_rest.name,
            by_rest.title,
            by_rest.status,
            sentence,
            observed,
            both_used,
            both_inputs,
            earliest=max(dates, default=None),
        )
    return Criterion(
        by_rest.name,
        by_rest.title,
        Status.UNMET,
        f"Symptoms disagree. {by_epworth.sentence} {by_rest.sentence}",
        observed,
        both_used,
        both_inputs,
        earliest=max((d for d in (by_epworth.earliest, by_rest.earliest) if d), default=None),
    )


def _epworth_alone(by_epworth: Criterion, by_rest: Criterion, thresholds: Thresholds) -> Criterion:
    """The Epworth total decides, unless a tired answer, one alone or an old one, already disagrees with it.

    One more rested answer would not settle it: the tired one would still be among the last.
    """
    tired = any(m.value < thresholds.restedness_settled.value for m in by_rest.observed)
    if not tired:
        return by_epworth
    dates = [d for d in (by_epworth.earliest, by_rest.earliest) if d]
    if by_epworth.status is Status.UNMET:
        return replace(by_epworth, earliest=max(dates, default=None))
    return replace(
        by_epworth,
        status=Status.UNMET,
        sentence=f"Symptoms disagree. {by_epworth.sentence} {_tired(by_rest)}",
        observed=by_epworth.observed + by_rest.observed,
        thresholds=by_epworth.thresholds + by_rest.thresholds,
        inputs=by_epworth.inputs + by_rest.inputs,
        earliest=max(dates, default=None),
    )


def _tired(by_rest: Criterion) -> str:
    told = listed([number(m.value) for m in by_rest.observed])
    limit = by_rest.thresholds[0]
    return f"Restedness was told as {told} of 10; {number(limit.value)} or more counts as settled ({limit.cited})."


def epworth_is_settled(total: int, course: Course, thresholds: Thresholds) -> bool:
    """Whether an Epworth total is not sleepy and has not risen in a meaningful way above the one before treatment."""
    before = course.baseline_epworth.epworth_total if course.baseline_epworth else None
    risen = before is not None and total - before >= thresholds.epworth_change.value
    return total <= thresholds.epworth_settled.value and not risen


def _epworth(course: Course, thresholds: Thresholds) -> Criterion | None:
    """Sleepiness by the last Epworth total since the onset; None when there is none that still speaks for today."""
    limit, change = thresholds.epworth_settled, thresholds.epworth_change
    given = last_told(course.check_ins, "epworth_total", max)
    if not given or not is_fresh(course, given[-1][0], thresholds):
        return None
    last, total, sources = given[-1]
    before = course.baseline_epworth
    start = before.epworth_total if before else None
    settled = epworth_is_settled(total, course, thresholds)
    compared = f", against {start} before treatment" if start is not None else ", with none known before treatment"
    sentence = (
        f"The Epworth total was {total} on {day(last.day)}{compared}; {number(limit.value)} or less "
        f"({limit.cited}) and no rise of {number(change.value)} or more ({change.cited}) count as settled."
    )
    inputs = (*sources, *((before.source,) if before else ()))
    return Criterion(
        "sleepiness-settled",
        "Sleepiness settled",
        Status.MET if settled else Status.UNMET,
        sentence,
        (Measured(Decimal(total), "{score}"),),
        (limit, change),
        inputs,
        earliest=None if settled else next_check_in(course, thresholds),
    )


def _rested(course: Course, thresholds: Thresholds) -> Criterion:
    limit = thresholds.restedness_settled
    return _last_agree(
        course,
        thresholds,
        "sleepiness-settled",
        "Sleepiness settled",
        worst=min,
        settled=lambda v: v >= limit.value,
        limit=limit,
        says=lambda values, when: (
            f"Restedness was {values} of 10 at the last check-ins ({when}); {number(limit.value)} or more counts as "
            f"settled ({limit.cited})."
        ),
        subject="restedness",
        instead_of="sleepiness by an Epworth total or by ",
    )


def no_witnessed_pauses(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when none was witnessed in the last check-ins; not asked counts as met, and is said."""
    name, title = "no-witnessed-pauses", "No witnessed pauses"
    needed = thresholds.check_ins_needed
    last = last_told(course.check_ins, "witnessed_pauses", any)[-int(needed.value) :]
    inputs = tuple(s for _, _, sources in last for s in sources)
    seen = [moment for moment, witnessed, _ in last if witnessed]
    if seen:
        return Criterion(
            name,
            title,
            Status.UNMET,
            f"Pauses in breathing were witnessed at the check-in of {day(seen[-1].day)}; none in the last "
            f"{number(needed.value)} check-ins is asked ({needed.cited}).",
            thresholds=(needed,),
            inputs=inputs,
            earliest=next_check_in(course, thresholds, _more_needed([m for m, _, _ in last], seen, int(needed.value))),
        )
    if not last:
        sentence = "Whether pauses in breathing were witnessed is not known, which counts as none; ask the bed partner."
    else:
        sentence = f"No pauses in breathing were witnessed at the last check-ins ({_dates(m for m, _, _ in last)})."
    return Criterion(name, title, Status.MET, sentence, thresholds=(needed,), inputs=inputs)


def _last_agree(
    course: Course,
    thresholds: Thresholds,
    name: str,
    title: str,
    *,
    worst: Callable[[Iterable[Decimal]], Decimal],
    settled: Callable[[Decimal], bool],
    limit: Threshold,
    says: Callable[[str, str], str],
    subject: str,
    instead_of: str = "",
) -> Criterion:
    """A scale, the field named by `subject`, that must be settled at each of the last check-ins of different moments."""
    needed = thresholds.check_ins_needed
    wanted = int(needed.value)
    last = last_told(course.check_ins, subject, worst)[-wanted:]
    moments = [moment for moment, _, _ in last]
    inputs = tuple(s for _, _, sources in last for s in sources)
    observed = tuple(Measured(v, limit.unit) for _, v, _ in last)
    used = (limit, needed, thresholds.check_in_fresh_days)
    stale = bool(last) and not is_fresh(course, moments[-1], thresholds)
    failing = [moment for moment, v, _ in last if not settled(v)]
    earliest = next_check_in(course, thresholds, max(_more_needed(moments, failing, wanted), 1))
    if len(last) < wanted or stale:
        still = max(wanted - len(last), 1)
        fresh = thresholds.check_in_fresh_days
        sentence = (
            f"The last check-in since the current setting that reports {subject} is of {day(moments[-1].day)}, more than "
            f"{number(fresh.value)} days before {day(course.as_of)} ({fresh.cited})."
            if stale
            else f"{count(len(last), 'check-in')} since the current setting {'reports' if len(last) == 1 else 'report'} "
            f"{subject} by {day(course.as_of)}; {wanted} are asked ({needed.cited})."
        )
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            sentence,
            observed,
            used,
            inputs,
            earliest=earliest,
            missing=f"{instead_of}{subject} at {count(still, 'more check-in')} since the current setting",
        )
    sentence = says(listed([number(v) for _, v, _ in last]), _dates(moments))
    if not failing:
        return Criterion(name, title, Status.MET, sentence, observed, used, inputs)
    return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, earliest=earliest)


def _more_needed(last: Sequence[Moment], failing: Sequence[Moment], wanted: int) -> int:
    """Good check-ins still needed until the last `wanted` are there and none of the failing ones is among them."""
    after = len(last) - 1 - max((i for i, moment in enumerate(last) if moment in failing), default=-1)
    return wanted - after


def _dates(moments: Iterable[Moment]) -> str:
    return listed([day(moment.day) for moment in moments])
