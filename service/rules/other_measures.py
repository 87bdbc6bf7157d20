"""What else a sleep test measured, before and with the appliance: position, desaturation, oxygen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.rules.index_classes import is_positional
from service.rules.reason import Reason, say
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import number, percent


@dataclass(frozen=True, slots=True)
class MeasureChange:
    """One measure before and after, in `unit`; None where a test does not report it, no change when not comparable."""

    name: str
    title: str
    unit: str
    before: Decimal | None
    after: Decimal | None
    change: Decimal | None
    sentence: str

    def as_data(self) -> dict[str, Any]:
        """The change as JSON-ready data."""
        return {
            "name": self.name,
            "title": self.title,
            "unit": self.unit,
            "before": self.before,
            "after": self.after,
            "change": self.change,
            "sentence": self.sentence,
        }


_MEASURES: tuple[tuple[str, str, str, str, Callable[[SleepTest], Decimal | None]], ...] = (
    ("supine-index", "Supine index", "{events}/h", "per hour", lambda t: t.supine_per_hour),
    ("non-supine-index", "Non-supine index", "{events}/h", "per hour", lambda t: t.non_supine_per_hour),
    ("desaturation-index", "Desaturation index", "{events}/h", "per hour", lambda t: t.odi_per_hour),
    ("lowest-spo2", "Lowest oxygen saturation", "%", "%", lambda t: t.lowest_spo2_percent),
    ("t90", "Time below 90 % saturation", "%", "% of the recording", lambda t: t.t90_percent),
)


def other_measures(baseline: SleepTest, efficacy: SleepTest) -> tuple[MeasureChange, ...]:
    """Each measure that at least one of the two tests reports."""
    found: list[MeasureChange] = []
    for name, title, unit, spoken_unit, value in _MEASURES:
        before, after = value(baseline), value(efficacy)
        if before is None and after is None:
            continue
        why_not = _other_drop(baseline, efficacy) if name == "desaturation-index" else None
        change = after - before if before is not None and after is not None and not why_not else None
        ends = {"title": title, "before": _told(before, spoken_unit), "after": _told(after, spoken_unit)}
        ends |= {"from_on": baseline.day, "on": efficacy.day}
        sentence = _sentence(ends, before if unit == "{events}/h" else None, change, why_not)
        found.append(MeasureChange(name, title, unit, before, after, change, sentence))
    return tuple(found)


def _told(value: Decimal | None, unit: str) -> str:
    return "not reported" if value is None else f"{number(value)} {unit}"


def _sentence(ends: dict[str, Any], rate: Decimal | None, change: Decimal | None, why_not: Reason | None) -> Reason:
    """The measure before and after; `rate` is the rate before, of which a fall is told in per cent as well."""
    if why_not:
        return say("measure.not-compared", **ends, why=why_not)
    if change is None:
        return say("measure.one-side", **ends)
    if change == 0:
        return say("measure.unchanged", **ends)
    words = "measure.lower" if change < 0 else "measure.higher"
    if not rate:
        return say(words, **ends, by=abs(change))
    return say(f"{words}-rate", **ends, by=abs(change), percent=percent(abs(change) / rate))


def _other_drop(baseline: SleepTest, efficacy: SleepTest) -> Reason | None:
    """Why two desaturation indices do not compare; None when both are scored by the same drop."""
    drops = (baseline.odi_drop_percent, efficacy.odi_drop_percent)
    if None in drops:
        return say("measure.drop-unknown")
    if drops[0] != drops[1]:
        return say("measure.other-drop", one=drops[0], other=drops[1])
    return None


def remainder_is_supine(efficacy: SleepTest, thresholds: Thresholds) -> bool:
    """Whether what is left of the apnoea is positional and, on the back, not resolved."""
    supine, other = efficacy.supine_per_hour, efficacy.non_supine_per_hour
    if supine is None or other is None:
        return False
    return supine >= thresholds.normal_index.value and is_positional(supine, other, thresholds)
