"""How far counting alone leaves an index, a fall and a class of response uncertain.

Exact intervals (`statistics.py`) for each index from its event count and hours, and for the fall from
both. They say nothing about the next night: about a fifth of mild and moderate cases are misclassified
by a single one (Punjabi 2020, doi 10.1016/j.chest.2020.01.039).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.rules.decision import ResponseClass
from service.rules.index_classes import class_of
from service.rules.sleep_test import SleepTest
from service.rules.statistics import Interval, rate_interval, ratio_interval
from service.rules.thresholds import Threshold, Thresholds
from service.rules.words import day, listed, number, rounded

NIGHT_TO_NIGHT = (
    "One night is a sample: about 20 % of mild and moderate cases are put into the wrong class by a single night "
    "(Punjabi 2020, doi 10.1016/j.chest.2020.01.039)."
)
_CLASS_WORDS = {
    ResponseClass.COMPLETE: "complete response",
    ResponseClass.PARTIAL: "partial response",
    ResponseClass.NON_RESPONSE: "non-response",
}


@dataclass(frozen=True, slots=True)
class Certainty:
    """Intervals as (low, high), `high` None when unbounded; None where counts or hours are missing.

    `possible` are the classes that the intervals allow; `certain` is None when they are not known.
    """

    before_per_hour: tuple[Decimal, Decimal | None] | None
    after_per_hour: tuple[Decimal, Decimal | None] | None
    fall_percent: tuple[Decimal | None, Decimal] | None
    possible: tuple[ResponseClass, ...]
    certain: bool | None
    sentences: tuple[str, ...]
    thresholds: tuple[Threshold, ...]

    def as_data(self) -> dict[str, Any]:
        """The certainty as JSON-ready data."""
        return {
            "index_before_per_hour": _pair(self.before_per_hour),
            "index_after_per_hour": _pair(self.after_per_hour),
            "fall_percent": _pair(self.fall_percent),
            "possible_classes": [c.value for c in self.possible],
            "certain": self.certain,
            "sentences": list(self.sentences),
        }


def certainty(baseline: SleepTest, efficacy: SleepTest, outcome: ResponseClass, thresholds: Thresholds) -> Certainty:
    """The intervals of both tests, of the fall, and the classes they allow beside `outcome`."""
    used = (thresholds.interval_percent, thresholds.count_agreement_percent)
    level = float(thresholds.interval_percent.value) / 100
    sentences: list[str] = []
    intervals: list[Interval | None] = []
    for test, name in ((baseline, "baseline"), (efficacy, "efficacy")):
        why_not = _why_no_interval(test, thresholds)
        if why_not:
            sentences.append(f"No interval for the index of the {name} test of {day(test.day)}: {why_not}.")
            intervals.append(None)
            continue
        found = rate_interval(test.event_count or 0, float(test.recording_hours or 0), level)
        sentences.append(_index_sentence(test, name, found, thresholds.interval_percent))
        intervals.append(found)
    before, after = intervals
    fall: tuple[Decimal | None, Decimal] | None = None
    possible: tuple[ResponseClass, ...] = ()
    if before and after and outcome is not ResponseClass.CANNOT_SAY:
        ratio = ratio_interval(
            baseline.event_count or 0,
            float(baseline.recording_hours or 0),
            efficacy.event_count or 0,
            float(efficacy.recording_hours or 0),
            level,
        )
        if ratio:
            fall = (_fall(ratio.high), Decimal(100) * (1 - Decimal(ratio.low)))
            possible = _possible(fall, after, thresholds)
            sentences.append(_fall_sentence(fall, possible, outcome, thresholds.interval_percent))
    return Certainty(
        _rounded(before),
        _rounded(after),
        (_one_place(fall[0]), rounded(fall[1], "0.1")) if fall else None,
        possible,
        possible == (outcome,) if possible else None,
        tuple(sentences),
        used if any(_counted(t) for t in (baseline, efficacy)) else (),
    )


def _counted(test: SleepTest) -> bool:
    return test.event_count is not None and bool(test.recording_hours)


def _why_no_interval(test: SleepTest, thresholds: Thresholds) -> str | None:
    """Why an index has no interval; None when count and hours are told and give that index."""
    count, hours, index = test.event_count, test.recording_hours, test.index_per_hour
    if count is None or not hours:
        return "the event count or the hours are not reported"
    allowed = thresholds.count_agreement_percent
    rate = count / hours
    if index is None or abs(rate - index) * 100 > allowed.value * index:
        return (
            f"{count} events in {number(hours)} hours make {number(rounded(rate, '0.1'))} per hour, more than "
            f"{number(allowed.value)} % away from the index reported ({allowed.cited})"
        )
    return None


def _possible(
    fall: tuple[Decimal | None, Decimal], after: Interval, thresholds: Thresholds
) -> tuple[ResponseClass, ...]:
    """The classes at the corners of both intervals, each once, best first."""
    lowest = fall[0] if fall[0] is not None else Decimal("-Infinity")
    ends = [Decimal(after.low)] + ([Decimal(after.high)] if after.high is not None else [])
    found = {class_of(f, a, thresholds) for f in (lowest, fall[1]) for a in ends}
    return tuple(c for c in _CLASS_WORDS if c in found)


def _index_sentence(test: SleepTest, name: str, found: Interval, level: Threshold) -> str:
    low, high = rounded(Decimal(found.low), "0.1"), rounded(Decimal(found.high or found.low), "0.1")
    return (
        f"{test.event_count} events in {number(test.recording_hours or 0)} hours at the {name} test of {day(test.day)} "
        f"allow an index of {number(low)} to {number(high)} per hour ({number(level.value)} % interval of the count, "
        f"{level.cited})."
    )


def _fall_sentence(
    fall: tuple[Decimal | None, Decimal], possible: tuple[ResponseClass, ...], outcome: ResponseClass, level: Threshold
) -> str:
    low = "any rise" if fall[0] is None else _percent(fall[0])
    others = [_CLASS_WORDS[c] for c in possible if c is not outcome]
    verdict = (
        f"the count allows {listed(others, 'or')} as well, so the class is not certain"
        if others
        else f"the class, {_CLASS_WORDS[outcome]}, is certain as far as the count goes"
    )
    return f"The fall lies between {low} and {_percent(fall[1])} ({number(level.value)} % interval); {verdict}."


def _percent(fall: Decimal) -> str:
    text = f"{number(abs(rounded(fall, '0.1')))} %"
    return text if fall >= 0 else f"a rise of {text}"


def _fall(ratio: float | None) -> Decimal | None:
    return None if ratio is None else Decimal(100) * (1 - Decimal(ratio))


def _rounded(interval: Interval | None) -> tuple[Decimal, Decimal | None] | None:
    if interval is None:
        return None
    high = None if interval.high is None else Decimal(interval.high)
    return (rounded(Decimal(interval.low), "0.1"), _one_place(high))


def _one_place(value: Decimal | None) -> Decimal | None:
    return None if value is None else rounded(value, "0.1")


def _pair(pair: tuple[Decimal | None, Decimal | None] | None) -> list[Decimal | None] | None:
    return list(pair) if pair else None
