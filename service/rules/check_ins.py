"""The check-ins of a case as they count: what one reporter told of one moment is one check-in.

A report recorded twice counts once, and answers that a system sends one by one belong together. Where two
records contradict each other, the more cautious answer counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from service.rules.facts import CheckIn
from service.rules.source import Moment, Source

SYMPTOMS = ("snoring", "restedness", "epworth_total", "witnessed_pauses")
WEAR = ("nights_reported", "nights_worn", "hours_per_night", "hours_slept_per_night")
_LAST = Decimal("Infinity")


def joined_check_ins(check_ins: Iterable[CheckIn]) -> tuple[CheckIn, ...]:
    """One check-in per moment and reporter, in order of time."""
    together: dict[tuple[Moment, str], list[CheckIn]] = {}
    for check_in in check_ins:
        together.setdefault((check_in.moment, check_in.reported_by), []).append(check_in)
    return tuple(_joined(together[key]) for key in sorted(together))


def last_told(check_ins: Iterable[CheckIn], name: str, worst: Any) -> list[tuple[Moment, Any, tuple[Source, ...]]]:
    """What each moment told of one field, in order of time: the worst answer of all reporters, and its records."""
    by_moment: dict[Moment, list[CheckIn]] = {}
    for check_in in check_ins:
        if getattr(check_in, name) is not None:
            by_moment.setdefault(check_in.moment, []).append(check_in)
    return [
        (moment, worst(getattr(c, name) for c in told), tuple(sorted(s for c in told for s in c.told_by(name))))
        for moment, told in sorted(by_moment.items())
    ]


def _joined(records: Sequence[CheckIn]) -> CheckIn:
    if len(records) == 1:
        return records[0]
    ordered = tuple(sorted(records, key=lambda c: c.source))

    def told(name: str) -> list[Any]:
        return [value for c in ordered if (value := getattr(c, name)) is not None]

    return replace(
        ordered[0],
        snoring=max(told("snoring"), default=None),
        restedness=min(told("restedness"), default=None),
        epworth_total=max(told("epworth_total"), default=None),
        witnessed_pauses=max(told("witnessed_pauses"), default=None),
        weight_kg=max(told("weight_kg"), default=None),
        records=ordered,
        **_wear(ordered),
    )


def _wear(records: Sequence[CheckIn]) -> dict[str, Any]:
    """Wear from the record that tells the poorest; what it leaves out is taken from the others."""
    poorest = min(records, key=_how_poor)
    joined: dict[str, Any] = {name: getattr(poorest, name) for name in WEAR}
    for name, cautious in (("hours_per_night", min), ("hours_slept_per_night", max)):
        if joined[name] is None:
            joined[name] = cautious((v for r in records if (v := getattr(r, name)) is not None), default=None)
    return joined


def _how_poor(record: CheckIn) -> tuple[Decimal, ...]:
    """Order of records by the wear they tell, poorest first and what is not told last; by content alone."""
    reported, worn = record.nights_reported, record.nights_worn
    hours, slept = record.hours_per_night, record.hours_slept_per_night
    return (
        Decimal(worn) / reported if reported and worn is not None else _LAST,
        _LAST if hours is None else hours,
        _LAST if slept is None else -slept,
        -Decimal(reported) if reported else _LAST,
    )
