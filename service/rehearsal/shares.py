"""Shares with their interval, and medians with their quartiles: what is said of a simulated cohort."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist, quantiles

CONFIDENCE = 0.95
_Z = NormalDist().inv_cdf((1 + CONFIDENCE) / 2)


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `of`, with the Wilson interval: the error of drawing finitely many cases, and no other."""

    count: int
    of: int

    @property
    def value(self) -> float | None:
        """The share of 1; None of nothing."""
        return self.count / self.of if self.of else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """Wilson 1927, the score interval at 95 %."""
        if not self.of:
            return None
        n, share, squared = self.of, self.count / self.of, _Z**2
        middle = (share + squared / (2 * n)) / (1 + squared / n)
        half = _Z / (1 + squared / n) * sqrt(share * (1 - share) / n + squared / (4 * n**2))
        return (max(middle - half, 0.0), min(middle + half, 1.0))

    def as_data(self) -> dict[str, object]:
        """JSON-ready."""
        low, high = self.interval or (None, None)
        return {"count": self.count, "of": self.of, "share": self.value, "low": low, "high": high}


@dataclass(frozen=True, slots=True)
class Spread:
    """Median and quartiles of `count` numbers; None of nothing."""

    count: int
    lower: float | None
    median: float | None
    upper: float | None

    def as_data(self) -> dict[str, object]:
        """JSON-ready."""
        return {"count": self.count, "lower_quartile": self.lower, "median": self.median, "upper_quartile": self.upper}


def spread(values: Sequence[float]) -> Spread:
    """The spread of some numbers, quartiles by linear interpolation between them."""
    if not values:
        return Spread(0, None, None, None)
    lower, median, upper = quantiles(values, n=4, method="inclusive") if len(values) > 1 else [values[0]] * 3
    return Spread(len(values), lower, median, upper)


@dataclass(frozen=True, slots=True)
class Change:
    """A share of the same `of` cases under two sets: how many have it only under A, and only under B."""

    only_a: int
    only_b: int
    of: int

    @property
    def difference(self) -> float:
        """B minus A, as a share of all cases."""
        return (self.only_b - self.only_a) / self.of

    @property
    def interval(self) -> tuple[float, float]:
        """Normal interval at 95 % for a difference of paired shares."""
        apart = self.only_a + self.only_b
        half = _Z * sqrt(max(apart - (self.only_b - self.only_a) ** 2 / self.of, 0)) / self.of
        return (self.difference - half, self.difference + half)

    def as_data(self) -> dict[str, object]:
        """JSON-ready."""
        low, high = self.interval
        return {
            "only_a": self.only_a,
            "only_b": self.only_b,
            "of": self.of,
            "difference": self.difference,
            "low": low,
            "high": high,
        }
