"""Exact intervals for a rate of events per hour and for the ratio of two rates.

Rate: central exact interval of a Poisson count (Garwood). Ratio: given their sum, one of two Poisson
counts is binomial, so the exact binomial interval (Clopper-Pearson) gives that of the ratio. Both are
found by bisection on the exact tail sums; `tests/rules/test_statistics.py` checks them against scipy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import exp, lgamma, log, log1p

_NEGLIGIBLE = 1e-17
_PRECISION = 1e-12


@dataclass(frozen=True, slots=True)
class Interval:
    """Lowest and highest value that the data allow at the level asked; `high` is None when unbounded."""

    low: float
    high: float | None


@lru_cache(maxsize=1024)
def rate_interval(events: int, hours: float, level: float) -> Interval:
    """Exact interval for a rate per hour from `events` seen in `hours`, at `level` (0.95 for 95 %).

    ValueError for a negative count, hours that are not positive or a level outside 0-1.
    """
    if events < 0 or hours <= 0:
        raise ValueError(f"{events} events in {hours} h give no rate")
    tail = _one_tail(level)
    highest = float(events + 1)
    while _poisson_at_most(events, highest) > tail:
        highest *= 2
    high = _bisect(lambda mean: _poisson_at_most(events, mean) > tail, float(events), highest)
    low = _bisect(lambda mean: _poisson_at_least(events, mean) < tail, 0.0, float(events)) if events else 0.0
    return Interval(low / hours, high / hours)


@lru_cache(maxsize=1024)
def proportion_interval(successes: int, trials: int, level: float) -> Interval:
    """Exact interval for a proportion from `successes` of `trials`. ValueError when they make no proportion."""
    if not 0 <= successes <= trials or trials == 0:
        raise ValueError(f"{successes} of {trials} give no proportion")
    tail = _one_tail(level)
    seen = successes / trials
    low, high = 0.0, 1.0
    if successes > 0:
        low = _bisect(lambda p: _binomial_at_least(successes, trials, p) < tail, 0.0, seen)
    if successes < trials:
        failures = trials - successes
        high = 1 - _bisect(lambda q: _binomial_at_least(failures, trials, q) < tail, 0.0, 1 - seen)
    return Interval(low, high)


def ratio_interval(
    events_before: int, hours_before: float, events_after: int, hours_after: float, level: float
) -> Interval | None:
    """Exact interval for the rate after divided by the rate before; None when no event was seen in either."""
    if events_before + events_after == 0:
        return None
    share = proportion_interval(events_after, events_before + events_after, level)
    longer = hours_before / hours_after
    low = share.low / (1 - share.low) * longer
    if share.high is None or share.high >= 1:
        return Interval(low, None)
    return Interval(low, share.high / (1 - share.high) * longer)


def _one_tail(level: float) -> float:
    """The probability left on each side. ValueError for a level that is no probability."""
    if not 0 < level < 1:
        raise ValueError(f"{level} is not a level between 0 and 1")
    return (1 - level) / 2


def _poisson_at_most(count: int, mean: float) -> float:
    """Probability of `count` events or fewer; summed downwards, so `mean` should be over `count`."""
    term = total = exp(count * log(mean) - mean - lgamma(count + 1))
    for seen in range(count, 0, -1):
        term *= seen / mean
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return total


def _poisson_at_least(count: int, mean: float) -> float:
    """Probability of `count` events or more; summed upwards, so `mean` should be under `count` and over 0."""
    term = total = exp(count * log(mean) - mean - lgamma(count + 1))
    seen = count
    while term > total * _NEGLIGIBLE:
        seen += 1
        term *= mean / seen
        total += term
    return total


def _binomial_at_least(count: int, trials: int, chance: float) -> float:
    """Probability of `count` of `trials` or more; summed upwards, so `chance` should not be over their share; it is never 0 or 1."""
    ways = lgamma(trials + 1) - lgamma(count + 1) - lgamma(trials - count + 1)
    term = total = exp(ways + count * log(chance) + (trials - count) * log1p(-chance))
    odds = chance / (1 - chance)
    for seen in range(count, trials):
        term *= odds * (trials - seen) / (seen + 1)
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return total


def _bisect(too_low: Callable[[float], bool], low: float, high: float) -> float:
    """The value between `low` and `high` at which `too_low` turns from true to false."""
    while high - low > _PRECISION * high:
        middle = (low + high) / 2
        if too_low(middle):
            low = middle
        else:
            high = middle
    return (low + high) / 2
