"""Occlusal change: how fast overjet and overbite decrease, against published yearly means.

Means: overjet by 0.17 (Pliska 2014, doi 10.5664/jcsm.4278) to 0.35 mm (Minagi 2018, doi 10.5664/jcsm.6896),
overbite by 0.21 mm a year. Faster than twice the mean is called fast, which is a policy of ours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from decimal import Decimal

from service.rules.decision import Criterion, Measured, Status, cautions
from service.rules.facts import CaseFacts, DentalAssessment
from service.rules.reason import say
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import rounded

_DAYS_A_YEAR = Decimal("365.25")


def occlusal_change(facts: CaseFacts, thresholds: Thresholds, as_of: date) -> tuple[Criterion, ...]:
    """Overjet and overbite: attention when one decreases fast, unknown before two examinations far enough apart."""
    known = facts.known_on(as_of).assessments
    return cautions(
        _change(known, "overjet-change", "Overjet", lambda a: a.overjet_mm, thresholds.overjet_change, thresholds),
        _change(known, "overbite-change", "Overbite", lambda a: a.overbite_mm, thresholds.overbite_change, thresholds),
    )


def _change(
    assessments: Sequence[DentalAssessment],
    name: str,
    title: str,
    value: Callable[[DentalAssessment], Decimal | None],
    mean: Threshold,
    thresholds: Thresholds,
) -> Criterion:
    """From the first to the last examination; of two at one moment the pair with the larger decrease counts."""
    times, apart = thresholds.bite_times, thresholds.bite_interval_days
    used = (mean, times, apart)
    told = [(a, mm) for a in assessments if (mm := value(a)) is not None]
    if not told:
        text = say("bite.not-recorded", what=title.lower())
        return Criterion(name, title, Status.UNKNOWN, text, (), used, missing=f"the {title.lower()}")
    first, start = min(told, key=lambda at: (at[0].moment, -at[1], at[0].source))
    last, now = max(told, key=lambda at: (at[0].moment, -at[1], at[0].source))
    days = (last.moment.day - first.moment.day).days
    inputs = tuple(sorted({first.source, last.source}))
    if days < apart.value:
        text = say("bite.one-examination", what=title.lower(), mm=now, on=last.moment.day, days=apart.value)
        missing = f"the {title.lower()} at a later examination"
        return Criterion(name, title, Status.UNKNOWN, text, (), used, inputs, missing=missing)
    yearly = (now - start) * _DAYS_A_YEAR / days
    limit = times.value * mean.value
    fast = -yearly > limit
    shown = rounded(yearly, "0.01")
    words = "bite.decreased" if shown < 0 else "bite.increased" if shown > 0 else "bite.unchanged"
    told = {"what": title.lower(), "yearly": abs(shown), "start": start, "first": first.moment.day}
    text = say(words, **told, mm=now, on=last.moment.day, limit=limit)
    status = Status.ATTENTION if fast else Status.MET
    needs = "the dentist reviews the bite" if fast else ""
    return Criterion(name, title, status, text, (Measured(shown, "mm/a"),), used, inputs, needs=needs)
