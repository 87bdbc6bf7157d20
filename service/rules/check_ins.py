"""The check-ins of a case as they count: what one reporter told of one moment is one record, what was told of one
evening is one answer.

A report recorded twice counts once, and answers that a system sends one by one belong together. Two check-ins within some
hours count as one. Reporters are named and never averaged: of snoring and pauses the one who could hear counts, of
sleepiness the worse answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from service.rules.facts import CheckIn
from service.rules.kinds import Hearer
from service.rules.source import Moment, Source
from service.rules.thresholds import Thresholds

SYMPTOMS = ("snoring", "restedness", "epworth_total", "witnessed_pauses")
WEAR = ("nights_reported", "nights_worn", "hours_per_night", "hours_slept_per_night")
_HEARD = ("snoring", "witnessed_pauses")
_LOWER_IS_WORSE = ("restedness",)
_LAST = Decimal("Infinity")
PATIENT, BED_PARTNER, SENSOR = "patient", "bed-partner", "sensor"


@dataclass(frozen=True, slots=True)
class Reported:
    """What was told of one field at one time: the answer that counts, who gave it, and what others answered.

    `contradicted` says that one reporter gave several answers on that day.
    """

    moment: Moment
    value: Any
    reporter: str
    others: tuple[tuple[str, Any], ...]
    contradicted: bool
    sources: tuple[Source, ...]

    @property
    def day(self) -> date:
        """The day of the answer."""
        return self.moment.day


def joined_check_ins(check_ins: Iterable[CheckIn]) -> tuple[CheckIn, ...]:
    """One check-in per moment and reporter, in order of time."""
    together: dict[tuple[Moment, str], list[CheckIn]] = {}
    for check_in in check_ins:
        together.setdefault((check_in.moment, check_in.reported_by), []).append(check_in)
    return tuple(_joined(together[key]) for key in sorted(together))


def answers(check_ins: Iterable[CheckIn], name: str, thresholds: Thresholds) -> list[Reported]:
    """What was told of one field, in order of time: check-ins within some hours of one another are one answer."""
    telling = [c for c in check_ins if getattr(c, name) is not None]
    if name in _HEARD:
        telling = [c for c in telling if _counts(c, name, thresholds)]
    return [_answer(group, name) for group in _within_hours(telling, thresholds)]


def nobody_hears(check_ins: Iterable[CheckIn]) -> CheckIn | None:
    """The last check-in that tells who could hear, when it says that nobody could; None otherwise."""
    told = [c for c in check_ins if c.who_could_hear is not None]
    last = max(told, key=lambda c: (c.moment, c.who_could_hear is Hearer.NOBODY, c.source), default=None)
    return last if last is not None and last.who_could_hear is Hearer.NOBODY else None


def last_of(check_ins: Iterable[CheckIn], name: str) -> CheckIn | None:
    """The last check-in that tells a field."""
    told = [c for c in check_ins if getattr(c, name) not in (None, ())]
    return max(told, key=lambda c: (c.moment, str(getattr(c, name)), c.source), default=None)


def _counts(check_in: CheckIn, name: str, thresholds: Thresholds) -> bool:
    """Whether an answer counts: a sleeper whom nobody hears cannot tell, and a recorder needs some nights."""
    if check_in.who_could_hear is Hearer.NOBODY:
        return check_in.reported_by == BED_PARTNER
    if name == "snoring" and _by_recorder(check_in):
        nights = check_in.recorder_nights or check_in.nights_reported or 0
        return nights >= thresholds.recorder_nights.value
    return True


def _by_recorder(check_in: CheckIn) -> bool:
    return check_in.who_could_hear is Hearer.RECORDER or check_in.reported_by == SENSOR


def _within_hours(check_ins: Sequence[CheckIn], thresholds: Thresholds) -> list[list[CheckIn]]:
    groups: list[list[CheckIn]] = []
    for check_in in sorted(check_ins, key=lambda c: (c.moment, c.reported_by, c.source)):
        if groups and _are_one(groups[-1][0].moment, check_in.moment, thresholds):
            groups[-1].append(check_in)
        else:
            groups.append([check_in])
    return groups


def _are_one(first: Moment, later: Moment, thresholds: Thresholds) -> bool:
    """Whether two moments are so close that what was told then is one answer; those of one day always are."""
    if first.day == later.day:
        return True
    if not first.clock or not later.clock:
        return False
    apart = datetime.fromisoformat(f"{later.day}T{later.clock}") - datetime.fromisoformat(f"{first.day}T{first.clock}")
    return apart < timedelta(hours=int(thresholds.same_report_hours.value))


def _answer(group: Sequence[CheckIn], name: str) -> Reported:
    """The answer of a group: of who could hear where that matters, else the worst of all."""
    if len(group) == 1 and not group[0].records:
        only = group[0]
        return Reported(only.moment, getattr(only, name), only.reported_by, (), False, (only.source,))
    values = [(c, getattr(c, name)) for c in group]
    rank = min(_rank(c, name) for c in group)
    counting = [(c, value) for c, value in values if _rank(c, name) == rank]
    counts, worst = (min if name in _LOWER_IS_WORSE else max)(counting, key=lambda cv: (cv[1], cv[0].source))
    by_reporter: dict[tuple[str, date], set[Any]] = {}
    for check_in, value in values:
        by_reporter.setdefault((check_in.reported_by, check_in.moment.day), set()).update(
            _all_told(check_in, name, value)
        )
    others = {(c.reported_by, value) for c, value in values if c.reported_by != counts.reported_by}
    return Reported(
        group[-1].moment,
        worst,
        counts.reported_by,
        tuple(sorted(others)),
        any(len(told) > 1 for told in by_reporter.values()),
        tuple(sorted({s for c in group for s in c.told_by(name)})),
    )


def _all_told(check_in: CheckIn, name: str, value: Any) -> set[Any]:
    """What each record of a joined check-in told."""
    told = {getattr(r, name) for r in check_in.records} - {None}
    return told or {value}


def _rank(check_in: CheckIn, name: str) -> int:
    """Whose answer counts first: the bed partner's, then a recorder's, then the sleeper's own."""
    if name not in _HEARD or check_in.reported_by == BED_PARTNER:
        return 0
    return 1 if _by_recorder(check_in) else 2


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
        who_could_hear=max(told("who_could_hear"), default=None),
        recorder_nights=min(told("recorder_nights"), default=None),
        driving=max(told("driving"), default=None),
        health_changes=tuple(sorted({h for c in ordered for h in c.health_changes})),
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
