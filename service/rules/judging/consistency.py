"""Whether a report contradicts itself: an index against its own count and hours, parts against wholes.

The bounds of a count over hours are arithmetic with the rounding of what was printed; how far outside them is a note, a
question or a contradiction is policy. Everything but the count only asks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal
from itertools import pairwise

from service.rules.decision import Party
from service.rules.judging.finding import Cause, Finding, Weight, question
from service.rules.judging.recording import FROM_LOW_TO_HIGH, central_share, own_hours
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName
from service.rules.reason import Reason, say
from service.rules.sleep_test import ScoredIndex, SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import rounded

_LEAST_HALF_DIGIT = Decimal("0.05")
_HALF = Decimal("0.5")
_TOLERANCE = Decimal("0.05")
PER_RECORDING = "per-recording"
"""The name of the finding that an index is one per hour of recording."""


def consistency(test: SleepTest, thresholds: Thresholds) -> tuple[Finding, ...]:
    """Everything in a report that does not agree with the rest of it, the count first."""
    return (*count_findings(test, thresholds), *_parts(test, thresholds))


def count_findings(test: SleepTest, thresholds: Thresholds) -> tuple[Finding, ...]:
    """What the index says against its own count and hours; empty when it fits or cannot be checked."""
    found = _count(test, thresholds)
    return (found,) if found else ()


def contradicts_itself(findings: tuple[Finding, ...]) -> bool:
    """Whether the report is the laboratory's move until a corrected one comes."""
    return any(f.cause is Cause.INCONSISTENT for f in findings)


def count_bounds(events: int, hours: Decimal, index: Decimal) -> tuple[Decimal, Decimal]:
    """The lowest and highest index in events per hour that `events` over `hours` can be printed as."""
    half_hour, half_index = _half_digit(hours), _half_digit(index)
    low = Decimal(events) / (hours + half_hour) - half_index
    if hours <= half_hour:
        return low, Decimal("Infinity")
    return low, Decimal(events) / (hours - half_hour) + half_index


def _half_digit(value: Decimal) -> Decimal:
    """Half of the last printed digit, as the rounding of what was told."""
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)
    return max(_HALF * Decimal(1).scaleb(min(exponent, 0)), _LEAST_HALF_DIGIT)


def _outside(events: int, hours: Decimal, index: Decimal, thresholds: Thresholds) -> Decimal:
    """How far an index lies outside its bounds, as a share of the nearer one in %; 0 inside or when too little to count."""
    low, high = count_bounds(events, hours, index)
    near = low if index < low else high if index > high else index
    distance = abs(index - near)
    if distance < thresholds.count_distance.value:
        return Decimal(0)
    return distance * 100 / near if near else Decimal("Infinity")


def _count(test: SleepTest, thresholds: Thresholds) -> Finding | None:
    """The index against its count over its own hours."""
    index, events, own = test.index_per_hour, test.event_count, own_hours(test)
    if index is None or events is None or own is None:
        return None
    hours, of = own
    outside = _outside(events, hours, index, thresholds)
    if not outside:
        return None
    values = {"events": events, "hours": hours, "index": index, "rate": rounded(events / hours, "0.1"), "on": test.day}
    recorded = test.recording_hours
    if of is Denominator.SLEEP and recorded and not _outside(events, recorded, index, thresholds):
        return question(PER_RECORDING, say("judged.per-recording", **(values | {"hours": recorded})))
    if of is Denominator.RECORDING and index and _HALF * hours <= events / index <= hours:
        needed = rounded(events / index, "0.1")
        return question("which-hours", say("judged.which-hours", **values, needed=needed))
    used = (thresholds.count_note_percent, thresholds.count_inconsistent_percent, thresholds.count_distance)
    if outside > thresholds.count_inconsistent_percent.value:
        sentence = say("judged.inconsistent", **values)
        return Finding("inconsistent", sentence, Weight.QUESTION, Cause.INCONSISTENT, Party.SLEEP_LAB, thresholds=used)
    if outside > thresholds.count_note_percent.value:
        return question("count-differs", say("judged.count-differs", **values), *used)
    return Finding("count-nearly-fits", say("judged.count-nearly-fits", **values), thresholds=used)


def _parts(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    """Parts of the report that do not agree with one another: each only asks."""
    on = test.day
    if test.sleep_hours and test.recording_hours and test.sleep_hours > test.recording_hours * (1 + _TOLERANCE):
        yield question(
            "sleep-exceeds-recording",
            say("judged.sleep-exceeds-recording", slept=test.sleep_hours, recorded=test.recording_hours, on=on),
        )
    yield from _positions(test, thresholds)
    yield from _counts_by_kind(test, thresholds)
    if test.t90_percent and test.lowest_spo2_percent is not None and test.lowest_spo2_percent >= 90:
        told = {"t90": test.t90_percent, "lowest": test.lowest_spo2_percent}
        yield question("t90-without-low-spo2", say("judged.t90-without-low-spo2", **told, on=on))
    if test.odi_per_hour is not None and test.other_odi_per_hour is not None and test.odi_drop_percent in (3, 4):
        pair = (test.odi_per_hour, test.other_odi_per_hour)
        at_three, at_four = pair if test.odi_drop_percent == 3 else pair[::-1]
        if _exceeds(at_four, at_three, thresholds):
            yield question("odi-order", say("judged.odi-order", four=at_four, three=at_three, on=on))
    yield from _rules_in_order(test, thresholds)


def _exceeds(part: Decimal, whole: Decimal, thresholds: Thresholds) -> bool:
    """Whether a part is larger than its whole by more than 5 % and 0.5 per hour."""
    return part - whole > max(_TOLERANCE * whole, thresholds.count_distance.value)


def _differs(one: Decimal, other: Decimal, thresholds: Thresholds) -> bool:
    return abs(one - other) > max(_TOLERANCE * other, thresholds.count_distance.value)


def _positions(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    supine, rest, index, own = test.supine_per_hour, test.non_supine_per_hour, test.index_per_hour, own_hours(test)
    if supine is None or rest is None or index is None:
        return
    told = {"supine": supine, "other": rest, "index": index, "on": test.day}
    share = test.supine_share
    if share is None and test.supine_hours is not None and own:
        share = min(test.supine_hours / own[0], Decimal(1))
    together = (
        supine * share + rest * (1 - share)
        if share is not None
        else min(max(index, min(supine, rest)), max(supine, rest))
    )
    if _differs(index, together, thresholds):
        yield question("positions-do-not-add-up", say("judged.positions-do-not-add-up", **told))


def _counts_by_kind(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    own, events = own_hours(test), test.event_count
    counts = [c for c in (test.central_count, test.obstructive_count, test.mixed_count) if c is not None]
    if events is not None and counts:
        allowed = max(_TOLERANCE * events, thresholds.count_distance.value * (own[0] if own else 1))
        if sum(counts) - events > allowed:
            told = {"parts": sum(counts), "events": events, "on": test.day}
            yield question("kinds-exceed-events", say("judged.kinds-exceed-events", **told))
    share, central, index = central_share(test), test.central_per_hour, test.index_per_hour
    told_apart = test.central_share is not None or test.central_count is not None
    if not told_apart or share is None or central is None or index is None:
        return
    if _differs(central, share * index, thresholds):
        told = {"central": central, "share": rounded(share * 100, "1"), "index": index, "on": test.day}
        yield question("central-does-not-fit", say("judged.central-does-not-fit", **told))


def _rules_in_order(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    """Of one night a stricter rule gives no higher index."""
    if test.index_name is None or test.index_per_hour is None:
        return
    same = {
        s.rule: s.per_hour
        for s in _indices(test)
        if s.name in (IndexName.AHI, IndexName.REI) and s.rule in FROM_LOW_TO_HIGH
    }
    told = [(rule, same[rule]) for rule in FROM_LOW_TO_HIGH if rule in same]
    for (strict, low), (loose, high) in pairwise(told):
        if _exceeds(low, high, thresholds):
            values = {"low": low, "strict": strict.value, "high": high, "loose": loose.value, "on": test.day}
            yield question("rules-out-of-order", say("judged.rules-out-of-order", **values))


def told_twice(tests: Iterable[SleepTest]) -> Iterator[Reason]:
    """Indices of one name, rule and night that differ, in one report or in two: which holds is not ours to guess."""
    told: dict[tuple[date, IndexName, HypopnoeaRule], set[Decimal]] = {}
    for test in tests:
        for scored in _indices(test):
            told.setdefault((test.day, scored.name, scored.rule), set()).add(scored.per_hour)
    for (on, name, rule), values in sorted(told.items()):
        if len(values) > 1:
            one, other = min(values), max(values)
            yield say("judged.told-twice", on=on, name=name, rule=rule.value, one=one, other=other)


def _indices(test: SleepTest) -> tuple[ScoredIndex, ...]:
    """Every index of a test: the reported one first."""
    if test.index_name is None or test.index_per_hour is None:
        return test.further_indices
    return (ScoredIndex(test.index_name, test.hypopnoea_rule, test.index_per_hour), *test.further_indices)
