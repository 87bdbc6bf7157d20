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
from service.rules.judging.consistency import count_findings
from service.rules.judging.finding import Weight
from service.rules.judging.judgement import Judgement
from service.rules.judging.recording import own_hours
from service.rules.reason import say
from service.rules.sleep_test import SleepTest
from service.rules.statistics import Interval, rate_interval, ratio_interval
from service.rules.thresholds import Threshold, Thresholds
from service.rules.words import listed, number, rounded

NIGHT_TO_NIGHT = say("certainty.night-to-night")
NIGHT_TO_NIGHT_SOURCE = "Punjabi 2020, doi 10.1016/j.chest.2020.01.039"
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


def certainty(judged: Judgement, thresholds: Thresholds) -> Certainty:
    """The intervals of both tests, of the fall, and the classes they allow beside the one that is given."""
    baseline, test, outcome = judged.baseline, judged.test, judged.response_class
    level = thresholds.interval_percent
    share = float(level.value) / 100
    sentences: list[str] = []
    before, after = (_interval(t, n, sentences, thresholds) for t, n in ((baseline, "baseline"), (test, "efficacy")))
    fall: tuple[Decimal | None, Decimal] | None = None
    possible: tuple[ResponseClass, ...] = ()
    if baseline and before and after and outcome is not ResponseClass.WITHHELD:
        counts = (*_counts(baseline), *_counts(test))
        ratio = ratio_interval(*counts, share)
        if ratio:
            fall = (_fall(ratio.high), Decimal(100) * (1 - Decimal(ratio.low)))
            possible = () if judged.at_least else _possible(fall, after, thresholds)
            sentences.append(_fall_sentence(fall, possible, outcome, level))
    return Certainty(
        _rounded(before),
        _rounded(after),
        (_one_place(fall[0]), rounded(fall[1], "0.1")) if fall else None,
        possible,
        possible == (outcome,) if possible else None,
        tuple(sentences),
        (level,) if before or after else (),
    )


def _counts(test: SleepTest) -> tuple[int, float]:
    own = own_hours(test)
    return test.event_count or 0, float(own[0]) if own else 0.0


def _interval(test: SleepTest | None, name: str, sentences: list[str], thresholds: Thresholds) -> Interval | None:
    """The interval of an index from its count and hours, and its sentence; None where these are missing or doubtful."""
    if test is None:
        return None
    own = own_hours(test)
    told = {"name": name, "on": test.day}
    if test.event_count is None or own is None:
        sentences.append(say("certainty.untold", **told))
        return None
    if any(f.weight is not Weight.NOTE for f in count_findings(test, thresholds)):
        sentences.append(say("certainty.doubtful", **told))
        return None
    level = thresholds.interval_percent
    found = rate_interval(test.event_count, float(own[0]), float(level.value) / 100)
    low, high = rounded(Decimal(found.low), "0.1"), rounded(Decimal(found.high or found.low), "0.1")
    told |= {"events": test.event_count, "hours": own[0], "low": low, "high": high, "level": level.value}
    sentences.append(say("certainty.index", **told))
    return found


def _possible(
    fall: tuple[Decimal | None, Decimal], after: Interval, thresholds: Thresholds
) -> tuple[ResponseClass, ...]:
    """The classes at the corners of both intervals, each once, best first."""
    lowest = fall[0] if fall[0] is not None else Decimal("-Infinity")
    ends = [Decimal(after.low)] + ([Decimal(after.high)] if after.high is not None else [])
    found = {class_of(f, a, thresholds) for f in (lowest, fall[1]) for a in ends}
    return tuple(c for c in _CLASS_WORDS if c in found)


def _fall_sentence(
    fall: tuple[Decimal | None, Decimal], possible: tuple[ResponseClass, ...], outcome: ResponseClass, level: Threshold
) -> str:
    """The range of the fall, from its better to its worse end, and what it leaves of the class."""
    told = {
        "best": _percent(fall[1]),
        "worst": "any rise" if fall[0] is None else _percent(fall[0]),
        "level": level.value,
    }
    others = tuple(_CLASS_WORDS[c] for c in possible if c is not outcome)
    if not possible:
        return say("certainty.fall", **told)
    if others:
        return say("certainty.fall-open", **told, others=listed(others, "or"))
    return say("certainty.fall-certain", **told, outcome=_CLASS_WORDS[outcome])


def _percent(fall: Decimal) -> str:
    text = f"{number(abs(rounded(fall, '0.1')))} %"
    return f"a fall of {text}" if fall >= 0 else f"a rise of {text}"


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
