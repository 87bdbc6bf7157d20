"""Mean disease alleviation and effective AHI: what wear leaves of the effect measured on the test night.

Product of the share of sleep with the appliance and the fall in the index: Vanderveken 2013,
doi 10.1136/thoraxjnl-2012-201900; its operands are taken from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.rules.criteria_of_wear import exact
from service.rules.ledger import Night
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.words import number, percent, quarter_hours, rounded


@dataclass(frozen=True, slots=True)
class Alleviation:
    """Mean disease alleviation in %, effective index per hour, and the mean hours a night they rest on.

    `at_most` says that only averages of wear and sleep are known, so that single nights may have been worn less.
    """

    percent: Decimal
    effective_per_hour: Decimal
    hours_worn: Decimal
    hours_slept: Decimal
    at_most: bool
    sentence: Reason
    inputs: tuple[Source, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """The alleviation as JSON-ready data."""
        return {
            "mean_disease_alleviation_percent": self.percent,
            "effective_index_per_hour": self.effective_per_hour,
            "hours_worn_per_night": self.hours_worn,
            "hours_slept_per_night": self.hours_slept,
            "at_most": self.at_most,
            "sentence": self.sentence,
            "inputs": [{"reference": s.reference, "version": s.version} for s in self.inputs],
        }


def mean_alleviation(before: Fraction, after: Fraction, hours_worn: Fraction, hours_slept: Fraction) -> Fraction:
    """Share of sleep worn (at most 1) times the fall as a share of the index before (at least 0); 0 to 1.

    `before` and `hours_slept` must be positive.
    """
    share = min(hours_worn / hours_slept, Fraction(1))
    return share * max((before - after) / before, Fraction(0))


def effective_index(before: Fraction, after: Fraction, hours_worn: Fraction, hours_slept: Fraction) -> Fraction:
    """Events per hour of sleep over the whole night: `after` while worn, `before` for the rest."""
    worn = min(hours_worn, hours_slept)
    return (after * worn + before * (hours_slept - worn)) / hours_slept


def alleviation(before_per_hour: Decimal, after_per_hour: Decimal, nights: Sequence[Night]) -> Alleviation | None:
    """From both indices and the nights that tell hours worn and slept; None without such nights.

    Wear is capped at sleep night by night: an extra hour of one night makes up for none of another. `before_per_hour` is
    above 0.
    """
    told = [n for n in nights if n.hours is not None and n.slept]
    if not told:
        return None
    slept = sum((Fraction(n.slept or 0) for n in told), Fraction(0)) / len(told)
    worn = sum((n.worn * min(Fraction(n.hours or 0), Fraction(n.slept or 0)) for n in told), Fraction(0)) / len(told)
    before, after = Fraction(before_per_hour), Fraction(after_per_hour)
    mda = _decimal(mean_alleviation(before, after, worn, slept) * 100, "0.1")
    effective = _decimal(effective_index(before, after, worn, slept), "0.1")
    at_most = any(not n.single for n in told)
    by_sensor = all(n.by_sensor for n in told)
    hours_worn, hours_slept = quarter_hours(exact(worn)), quarter_hours(exact(slept))
    words = f"alleviation.{'at-most' if at_most else 'exact'}{'-sensor' if by_sensor else ''}"
    sentence = say(
        words, percent=percent(mda / 100), index=number(effective), worn=hours_worn, slept=hours_slept, nights=len(told)
    )
    inputs = tuple(sorted({s for n in told for s in n.sources}))
    return Alleviation(mda, effective, hours_worn, hours_slept, at_most, sentence, inputs)


def _decimal(value: Fraction, places: str) -> Decimal:
    return rounded(exact(value), places)
