"""Mean disease alleviation and effective AHI: what wear leaves of the effect measured on the test night.

Product of the share of sleep with the appliance and the fall in the index: Vanderveken 2013,
doi 10.1136/thoraxjnl-2012-201900; its operands are taken from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.rules.facts import CheckIn
from service.rules.source import Source
from service.rules.wear_reports import all_by_sensor, wear_reports
from service.rules.words import number, percent, quarter_hours, rounded

_SOURCE = "Vanderveken 2013, doi 10.1136/thoraxjnl-2012-201900; how its parts are taken is from memory, not verified"


@dataclass(frozen=True, slots=True)
class Alleviation:
    """Mean disease alleviation in %, effective index per hour, and the mean hours a night they rest on."""

    percent: Decimal
    effective_per_hour: Decimal
    hours_worn: Decimal
    hours_slept: Decimal
    sentence: str
    inputs: tuple[Source, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """The alleviation as JSON-ready data."""
        return {
            "mean_disease_alleviation_percent": self.percent,
            "effective_index_per_hour": self.effective_per_hour,
            "hours_worn_per_night": self.hours_worn,
            "hours_slept_per_night": self.hours_slept,
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


def alleviation(before_per_hour: Decimal, after_per_hour: Decimal, check_ins: Iterable[CheckIn]) -> Alleviation | None:
    """From both indices and the wear told by `check_ins`; None without hours worn and slept, or with a baseline of 0."""
    told = [
        (r, Fraction(worn), Fraction(slept))
        for r in wear_reports(check_ins)
        if (worn := r.hours_per_night) is not None and (slept := r.check_in.hours_slept_per_night)
    ]
    if not told or before_per_hour <= 0:
        return None
    nights = sum(r.nights_reported for r, _, _ in told)
    mean_worn = sum((worn * r.nights_worn for r, worn, _ in told), Fraction(0)) / nights
    mean_slept = sum((slept * r.nights_reported for r, _, slept in told), Fraction(0)) / nights
    before, after = Fraction(before_per_hour), Fraction(after_per_hour)
    share = mean_alleviation(before, after, mean_worn, mean_slept)
    effective = _decimal(effective_index(before, after, mean_worn, mean_slept), "0.1")
    mda = _decimal(share * 100, "0.1")
    hours_worn, hours_slept = quarter_hours(_exact(mean_worn)), quarter_hours(_exact(mean_slept))
    own = "by the patient's own report, which over-reads"
    by_whom = "by sensor" if all_by_sensor([r for r, _, _ in told]) else own
    sentence = (
        f"Worn for a mean of {number(hours_worn)} of {number(hours_slept)} hours of sleep a night {by_whom}: mean disease alleviation {percent(mda / 100)}, effective index {number(effective)} "
        f"per hour ({_SOURCE})."
    )
    return Alleviation(
        mda, effective, hours_worn, hours_slept, sentence, tuple(s for r, _, _ in told for s in r.sources)
    )


def _exact(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / value.denominator


def _decimal(value: Fraction, places: str) -> Decimal:
    return rounded(_exact(value), places)
