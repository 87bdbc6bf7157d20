"""Random pairs of a baseline and an efficacy test, near the thresholds and boundaries of the judged test.

Half of the pairs are mostly ordinary, so that classes are common; the others differ in several ways at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from random import Random

from service.rules.kinds import (
    Denominator,
    HypopnoeaRule,
    IndexName,
    Scoring,
    TestKind,
    TestPlace,
    TestPurpose,
    Worn,
)
from service.rules.sleep_test import SleepTest
from service.rules.source import Source

Pair = tuple[SleepTest, SleepTest]

BASELINE_DAY = date(2025, 3, 3)
KNOWN_RULES = (HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL)
RULE_FACTORS = {
    (HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL): Decimal("2.48"),
    (HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT): Decimal("1.80"),
    (HypopnoeaRule.THREE_PERCENT, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL): Decimal("1.38"),
    (HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.UNKNOWN): Decimal("2.48"),
    (HypopnoeaRule.THREE_PERCENT, HypopnoeaRule.UNKNOWN): Decimal("1.38"),
    (HypopnoeaRule.THREE_PERCENT, HypopnoeaRule.THREE_PERCENT): Decimal(1),
}
BASELINE_INDICES = ("10.0", "12.0", "14.8", "15.0", "16.7", "20.0", "21.4", "24.80", "28.0", "30.0", "36.4", "40")
EFFICACY_INDICES = ("0.0", "1.5", "2.1", "3.6", "4.0", "4.9", "4.99", "5.0", "5", "5.5", "6.2", "7.4", "9.9", "10.0")


def random_pair(random: Random) -> tuple[SleepTest, SleepTest | None]:
    """An efficacy test and, mostly, its baseline."""
    ordinary = random.random() < 0.5
    baseline, test = _ordinary_pair(random)
    changes = random.choice((0, 0, 1, 1, 2)) if ordinary else random.randint(1, 6)
    for _ in range(changes):
        baseline, test = random.choice(CHANGES)(random, baseline, test)
    if random.random() < (0.01 if ordinary else 0.05):
        return _named(test), None
    return _named(test), _named(baseline)


def _named(test: SleepTest) -> SleepTest:
    """The test with a name for its index: no index is told without one."""
    named = test.index_name or (None if test.index_per_hour is None else IndexName.AHI)
    return replace(test, index_name=named)


def _ordinary_pair(random: Random) -> Pair:
    """Two tests of one kind, scored alike, with counts that fit; the efficacy test worn all night and reviewed."""
    at_home = random.random() < 0.5
    rule = random.choice(KNOWN_RULES[:2] if at_home else KNOWN_RULES)
    recorded = _number(random, "6.5", "8.5")
    baseline = SleepTest(
        source=Source(f"Observation/{random.randint(1, 99):04}", 1),
        day=BASELINE_DAY,
        purpose=TestPurpose.BASELINE,
        place=TestPlace.HOME if at_home else TestPlace.LABORATORY,
        kind=TestKind.HOME_FLOW if at_home else TestKind.POLYSOMNOGRAPHY,
        index_name=IndexName.REI if at_home else IndexName.AHI,
        index_per_hour=Decimal(random.choice(BASELINE_INDICES)),
        hypopnoea_rule=rule,
        recording_hours=recorded,
        monitored_hours=recorded - Decimal("0.5") if at_home and random.random() < 0.4 else None,
        sleep_hours=None if at_home else recorded - _number(random, "0.3", "2.0"),
        scoring=random.choice((Scoring.MANUAL, Scoring.REVIEWED, Scoring.UNKNOWN)),
        odi_per_hour=_number(random, "8.0", "25.0"),
        odi_drop_percent=random.choice((3, 4)),
        lowest_spo2_percent=Decimal(random.randint(76, 89)),
        t90_percent=_number(random, "0.0", "12.0"),
        performer="Organization/laboratory",
    )
    test = replace(
        baseline,
        source=Source(f"Observation/{random.randint(100, 199):04}", 1),
        day=BASELINE_DAY + timedelta(days=random.randint(60, 400)),
        purpose=TestPurpose.EFFICACY,
        index_per_hour=_efficacy_index(random, baseline),
        odi_per_hour=_number(random, "2.0", "12.0"),
        lowest_spo2_percent=Decimal(random.randint(82, 92)),
        t90_percent=_number(random, "0.0", "4.0"),
        worn=Worn.ALL_NIGHT,
        setting_left_mm=Decimal("1.5"),
        setting_right_mm=Decimal("1.5"),
    )
    if random.random() < 0.6:
        baseline = _with_fitting_count(baseline)
    if random.random() < 0.6:
        test = _with_fitting_count(test)
    return baseline, test


def _efficacy_index(random: Random, baseline: SleepTest) -> Decimal:
    before = baseline.index_per_hour or Decimal(20)
    kind = random.random()
    if kind < 0.4:
        return Decimal(random.choice(EFFICACY_INDICES))
    if kind < 0.6:  # about the half
        return max(Decimal(0), before / 2 + Decimal(random.choice(("-0.1", "0", "0.0", "0.1"))))
    return (before * Decimal(random.randint(10, 130)) / 100).quantize(Decimal("0.1"))


def _number(random: Random, low: str, high: str) -> Decimal:
    return Decimal(random.randint(int(Decimal(low) * 10), int(Decimal(high) * 10))) / 10


def _own_hours(test: SleepTest) -> Decimal:
    told = (test.sleep_hours, test.monitored_hours, test.recording_hours)
    if test.index_name is IndexName.REI:
        told = (test.monitored_hours, test.recording_hours, test.sleep_hours)
    return next((hours for hours in told if hours is not None), Decimal(7))


def _with_fitting_count(test: SleepTest) -> SleepTest:
    """The test with a count, and the index that this count prints as with as many decimals as before."""
    if test.index_per_hour is None or _own_hours(test) == 0:
        return test
    count = round(test.index_per_hour * _own_hours(test))
    index = (count / _own_hours(test)).quantize(test.index_per_hour)
    near = abs(index - test.index_per_hour) < Decimal("0.1")
    return replace(test, event_count=count, index_per_hour=test.index_per_hour if near else index)


def _with_index(test: SleepTest, index: Decimal) -> SleepTest:
    """The test with another index, and a count that fits it if it had one."""
    changed = replace(test, index_per_hour=max(Decimal(0), index), event_count=None)
    if test.event_count is None or _own_hours(test) == 0:
        return changed
    return replace(changed, event_count=round(max(Decimal(0), index) * _own_hours(test)))


# Changes to either test


def _either(change: Callable[[Random, SleepTest], SleepTest]) -> Callable[[Random, SleepTest, SleepTest], Pair]:
    """The change, made to one of the two tests or to both."""

    def change_either(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
        which = random.choice(("baseline", "test", "test", "both"))
        if which != "test":
            baseline = change(random, baseline)
        if which != "baseline":
            test = change(random, test)
        return baseline, test

    return change_either


def _other_rule(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, hypopnoea_rule=random.choice((*KNOWN_RULES, *KNOWN_RULES, HypopnoeaRule.UNKNOWN)))


def _home_recording(random: Random, test: SleepTest) -> SleepTest:
    """A test at home, without sleep told; sometimes with an AHI by its name."""
    return replace(
        test,
        place=random.choice((TestPlace.HOME, TestPlace.HOME, TestPlace.HOME, None)),
        kind=random.choice((TestKind.HOME_FLOW, TestKind.HOME_FLOW, TestKind.HOME_FLOW, TestKind.HOME_EEG, None)),
        index_name=random.choice((IndexName.REI, IndexName.REI, IndexName.AHI)),
        sleep_hours=random.choice((None, None, test.sleep_hours)),
        monitored_hours=random.choice((None, None, Decimal("3.9"), Decimal("4.0"), Decimal("6.5"))),
    )


def _laboratory_recording(random: Random, test: SleepTest) -> SleepTest:
    recorded = _number(random, "5.5", "8.5")
    sleep = (recorded / Decimal(random.choice(("1.25", "1.6", "1.0")))).quantize(Decimal("0.1"))
    return replace(
        test,
        place=random.choice((TestPlace.LABORATORY, TestPlace.LABORATORY, None)),
        kind=random.choice((TestKind.POLYSOMNOGRAPHY, TestKind.POLYSOMNOGRAPHY, None)),
        index_name=IndexName.AHI,
        recording_hours=recorded,
        sleep_hours=random.choice((sleep, sleep, None)),
        monitored_hours=None,
    )


def _any_kind(random: Random, test: SleepTest) -> SleepTest:
    return replace(
        test,
        kind=random.choice((*TestKind, None)),
        place=random.choice((*TestPlace, None)),
        index_name=random.choice(tuple(IndexName)),
    )


def _arterial_tone(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, kind=TestKind.ARTERIAL_TONE, place=TestPlace.HOME, index_name=IndexName.REI)


def _respiratory_disturbance(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, index_name=IndexName.RDI, rdi_with_arousals=random.choice((True, False, None)))


def _hours(random: Random, test: SleepTest) -> SleepTest:
    """Hours at the limits of two and four, or untold."""
    recorded = random.choice(("1.9", "2.0", "3.9", "3.96", "4", "4.0", "5.0", "7.2", None))
    hours = None if recorded is None else Decimal(recorded)
    sleep = test.sleep_hours
    if random.random() < 0.5:
        slept = random.choice(("0.0", "0.04", "1.9", "1.99", "2.0", "3.9", None))
        sleep = None if slept is None else Decimal(slept)
    monitored = random.choice((None, None, None, Decimal("1.9"), Decimal("3.9"), Decimal("4.0")))
    if sleep is not None and hours is not None:
        sleep = min(sleep, hours)
    if monitored is not None and hours is not None:
        monitored = min(monitored, hours)
    return replace(test, recording_hours=hours, sleep_hours=sleep, monitored_hours=monitored)


def _count_off(random: Random, test: SleepTest) -> SleepTest:
    """A count that is off by about nothing, 0.5/h, 5 % or 20 %."""
    hours = _own_hours(test)
    events = random.choice((0, 3, 20, 46, 60, 120, 120, 240, 240))
    if random.random() < 0.1:  # hardly any hours, or no events by the index
        if random.random() < 0.5:
            hours = Decimal(random.choice(("0.04", "0.05", "0.06", "0.1")))
            index = Decimal(random.choice(("20.0", "100.0", "1200.0")))
        else:
            index = Decimal("0.0")
        return replace(
            test,
            recording_hours=hours,
            monitored_hours=None,
            sleep_hours=None,
            event_count=events,
            index_per_hour=index,
        )
    exact = random.random() < 0.5
    under = random.random() < 0.5 or hours <= Decimal("0.05")
    if exact:  # hours whose nearer bound is an exact decimal
        hours = Decimal(random.choice(("3.95", "4.95", "7.95") if under else ("4.05", "5.05", "8.05")))
        test = replace(test, recording_hours=hours, monitored_hours=None, sleep_hours=None)
        if random.random() < 0.5:
            test = replace(test, recording_hours=hours + 1, sleep_hours=hours)
    half = Decimal("0.05")
    off = Decimal(
        random.choice(("0", "0.04", "0.05", "0.05", "0.0501", "0.1", "0.199", "0.2", "0.2", "0.201", "0.3", "0.6"))
    )
    if under:
        index = (events / (hours + half) - half) * (1 - off)
        index = random.choice((index, index, events / (hours + half) - half - Decimal("0.5")))
    else:
        index = (events / (hours - half) + half) * (1 + off)
        index = random.choice((index, index, events / (hours - half) + half + Decimal("0.5")))
    digits = Decimal("0.000001" if exact else random.choice(("1", "0.1", "0.1", "0.01")))
    index = max(Decimal(0), index).quantize(digits)
    if digits < Decimal("0.01"):  # without its last noughts, but never in tens
        index = index.normalize() if index % 10 else index
    return replace(test, event_count=events, index_per_hour=index)


def _count_of_other_hours(random: Random, test: SleepTest) -> SleepTest:
    """A count over the recorded hours beside fewer hours asleep, or over untold hours of the recorded ones."""
    recorded = test.recording_hours or Decimal("7.2")
    index = test.index_per_hour or Decimal("9.9")
    if random.random() < 0.3:  # exactly at a bound of the recorded hours
        events = random.choice((40, 80, 120))
        recorded, off = random.choice(((Decimal("7.95"), Decimal("-0.05")), (Decimal("8.05"), Decimal("0.05"))))
        index = Decimal(events) / 8 + off + Decimal(random.choice(("0", "0", "0", "-0.01", "0.01")))
        return replace(
            test,
            index_name=IndexName.AHI,
            recording_hours=recorded,
            monitored_hours=None,
            sleep_hours=Decimal(random.choice(("5.5", "6.0", "6.5"))),
            event_count=events,
            index_per_hour=index,
        )
    if random.random() < 0.5:
        asleep = (recorded * Decimal(random.choice(("0.6", "0.75", "0.9")))).quantize(Decimal("0.1"))
        return replace(
            test,
            index_name=random.choice((IndexName.AHI, IndexName.AHI, IndexName.RDI)),
            recording_hours=recorded,
            monitored_hours=None,
            sleep_hours=asleep,
            event_count=round(index * (recorded + Decimal(random.choice(("0", "0", "0.1", "0.4"))))),
        )
    share = Decimal(random.choice(("0.45", "0.5", "0.5", "0.65", "0.81", "1.0", "1.1")))
    return replace(
        test,
        recording_hours=recorded,
        monitored_hours=None,
        sleep_hours=None,
        index_per_hour=random.choice((index, Decimal("10.0"))),
        event_count=round(recorded * share * 10),
    )


def _without_count(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, event_count=None)


def _whole_number(random: Random, test: SleepTest) -> SleepTest:
    index = test.index_per_hour
    return test if index is None else replace(test, index_per_hour=index.quantize(Decimal(1)))


def _oxygen_measures(random: Random, test: SleepTest) -> SleepTest:
    def one_of(*values: str | None) -> Decimal | None:
        told = random.choice(values)
        return None if told is None else Decimal(told)

    return replace(
        test,
        t90_percent=one_of(None, "0", "4.2", "5.0", "9.9", "10.0", "10", "15.0", "24.9", "25", "25.0", "25.1", "30"),
        t90_of=random.choice((None, None, *Denominator)),
        minutes_at_88=one_of(None, None, "0", "4.9", "5", "5.0", "12"),
        lowest_spo2_percent=one_of(None, "71", "79", "79.9", "80", "84"),
        odi_per_hour=one_of(None, "0", "4.9", "5.0", "10.0", "15.0", "14.9", "20.0", "30.0"),
        odi_drop_percent=random.choice((3, 3, 4, None)),
    )


def _something_on(random: Random, test: SleepTest) -> SleepTest:
    choices = (None, False, False, True)
    return replace(
        test,
        pap_on=random.choice(choices),
        positional_device_on=random.choice(choices),
        oxygen_on=random.choice(choices),
    )


def _no_index(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, index_name=None, index_per_hour=None, event_count=random.choice((None, test.event_count)))


def _performer(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, performer=random.choice(("Organization/laboratory", "Organization/other", None)))


# Changes to the efficacy test


def _efficacy(change: Callable[[Random, SleepTest], SleepTest]) -> Callable[[Random, SleepTest, SleepTest], Pair]:
    def change_efficacy(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
        return baseline, change(random, test)

    return change_efficacy


def _worn(random: Random, test: SleepTest) -> SleepTest:
    hours = random.choice((None, Decimal("3.9"), Decimal("4"), Decimal("4.0"), Decimal("6.5"), Decimal("6.5")))
    return replace(
        test,
        worn=random.choice((*Worn, Worn.PART, Worn.PART)),
        worn_hours=hours,
        index_of_worn_hours=random.choice((True, False, None)),
    )


def _scoring(random: Random, test: SleepTest) -> SleepTest:
    return replace(test, scoring=random.choice(tuple(Scoring)))


def _setting(random: Random, test: SleepTest) -> SleepTest:
    side = random.choice((None, Decimal("1.5"), Decimal("2.0")))
    return replace(test, setting_left_mm=side, setting_right_mm=side)


def _central(random: Random, test: SleepTest) -> SleepTest:
    """Central events at about half of all and about 5/h, told in one or several ways."""
    test = replace(test, central_share=None, central_per_hour=None, central_count=None)
    index = random.choice((test.index_per_hour, Decimal("9.0"), Decimal("10.0"), Decimal("12.5")))
    if index is not None and test.index_per_hour is not None:
        test = _with_index(test, index)
    ways = random.choice(("share", "rate", "count", "share rate", "share count", "rate count", "all"))
    if "share" in ways or ways == "all":
        shares = ("0", "0.1", "0.4", "0.5", "0.50", "0.501", "0.55", "0.8", "1")
        test = replace(test, central_share=Decimal(random.choice(shares)))
    if "rate" in ways or ways == "all":
        rate = Decimal(random.choice(("0.5", "4.9", "5", "5.0", "5.1", "7.2")))
        if index is not None and random.random() < 0.4:
            rate = index / 2
        test = replace(test, central_per_hour=rate)
    if "count" in ways or ways == "all":
        counts = [round(5 * _own_hours(test)) + more for more in (-1, 0, 1)]
        counts += [(test.event_count or 60) // 2 + more for more in (0, 1)]
        test = replace(test, central_count=random.choice(counts))
    return test


# Changes to the pair


def _stressed(random: Random, lower: SleepTest, higher: SleepTest) -> tuple[SleepTest, SleepTest, Decimal]:
    """The tests scored and recorded so that the first reads lower than the second, and by how much."""
    rules, factor = random.choice(tuple(RULE_FACTORS.items()))
    lower, higher = replace(lower, hypopnoea_rule=rules[0]), replace(higher, hypopnoea_rule=rules[1])
    if random.random() < 0.5:
        kind = replace(lower, kind=TestKind.POLYSOMNOGRAPHY, place=TestPlace.LABORATORY, index_name=IndexName.AHI)
        recorded = random.choice((None, Decimal("6.5")))
        lower = replace(kind, sleep_hours=Decimal("5.0"), recording_hours=recorded, event_count=None)
        return lower, _recorded_as(higher, lower), factor
    recorded = random.choice((None, Decimal("7.5")))
    higher = replace(
        higher,
        kind=random.choice((TestKind.POLYSOMNOGRAPHY, TestKind.HOME_EEG)),
        place=None,
        index_name=IndexName.AHI,
        recording_hours=recorded,
        sleep_hours=Decimal("6.0"),
        event_count=None,
    )
    lower = replace(
        lower,
        kind=TestKind.HOME_FLOW,
        index_name=IndexName.REI,
        recording_hours=Decimal("7.0"),
        sleep_hours=random.choice((None, None, Decimal("5.6"))),
        event_count=None,
    )
    return lower, higher, factor * Decimal("1.25")


def _recorded_as(test: SleepTest, model: SleepTest) -> SleepTest:
    """The test recorded in the way and for the hours of the other one."""
    return replace(
        test,
        place=model.place,
        kind=model.kind,
        index_name=model.index_name,
        recording_hours=model.recording_hours,
        monitored_hours=model.monitored_hours,
        sleep_hours=model.sleep_hours,
        event_count=None,
    )


def _half(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    """A fall of half, exactly or nearly, by itself or after a stress in either direction."""
    off = Decimal(random.choice(("0", "0", "0", "-0.01", "0.01", "-0.1", "0.1")))
    if random.random() < 0.6:  # flattering
        test, baseline, factor = _stressed(random, test, baseline)
        less_alcohol = Decimal("7.1") if baseline.alcohol is True and test.alcohol is False else Decimal(0)
        after = Decimal(random.choice(("2.0", "2.1", "4.0", "4.9", "5.0", "6.0", "8.0", "10.0")))
        before = after * factor * 2 + less_alcohol
        return _with_index(baseline, before), _with_index(test, after + off)
    baseline, test, factor = _stressed(random, baseline, test)
    before = Decimal(random.choice(("10.0", "12.0", "15.0", "20.0")))
    return _with_index(baseline, before), _with_index(test, before * factor / 2 + off)


def _below_five_by_stress(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    """A complete response that a stress takes to about 5."""
    test, baseline, factor = _stressed(random, test, baseline)
    after = (Decimal(5) / factor).quantize(Decimal("0.01")) + Decimal(random.choice(("-0.1", "-0.01", "0", "0.01")))
    before = random.choice(("28.0", "30.0", "40.0"))
    return _with_index(baseline, Decimal(before)), _with_index(test, after)


def _worse(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    """A rise by about 20 %, 2/h or 5/h, into a higher severity or not."""
    before = Decimal(random.choice(("5.0", "9.9", "10.0", "12.5", "13.0", "14.8", "20.0", "25.0", "29.0", "40.0")))
    rises = (Decimal("0.4"), Decimal("1.9"), Decimal("2.0"), Decimal("4.9"), Decimal("5.0"), before / 5, Decimal("9"))
    return _with_index(baseline, before), _with_index(test, before + random.choice(rises))


def _oxygen_worse(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    """T90 or ODI up by about 5, or by about half."""
    before = Decimal(random.choice(("0", "4.2", "8.0", "10.0", "10.2", "12.0", "20.0")))
    rises = (before / 2, Decimal("5"), Decimal("5.0"), Decimal("4.9"), before / 2 + Decimal("0.1"), Decimal("16"))
    after = before + random.choice(rises)
    if random.random() < 0.5:
        return replace(baseline, t90_percent=before), replace(test, t90_percent=after)
    drop = random.choice((3, 4))
    return (
        replace(baseline, odi_per_hour=before, odi_drop_percent=drop),
        replace(test, odi_per_hour=after, odi_drop_percent=random.choice((drop, drop, drop, 3, None))),
    )


def _complete_without_oxygen(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    t90 = Decimal(random.choice(("9.9", "10.0", "12.0", "25.1")))
    return _with_index(baseline, Decimal("24.0")), replace(_with_index(test, Decimal("3.0")), t90_percent=t90)


def _supine(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    before = Decimal(random.choice(("0.3", "0.50", "0.6", "0.85")))
    less = Decimal(random.choice(("0.19", "0.199", "0.2", "0.20", "0.201", "0.3", "-0.1", "-0.2", "-0.15")))
    share = random.choice((before - less, before - less, before - less, None))
    if share is not None and random.random() < 0.4:  # a fall of half after the 0.1/h a point
        stressed = (test.index_per_hour or Decimal("5.0")) + less * 10
        baseline = _with_index(baseline, max(Decimal("6.0"), stressed * 2))
    return replace(baseline, supine_share=before), replace(test, supine_share=share)


def _alcohol(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    baseline = replace(baseline, alcohol=random.choice((True, True, True, False, None)))
    test = replace(test, alcohol=random.choice((True, False, False, False, None)))
    if random.random() < 0.4:
        before = Decimal(random.choice(("6.0", "7.0", "7.1", "7.2", "12.1", "17.1", "20.0")))
        baseline = _with_index(baseline, before)
        after = max(Decimal("0.0"), (before - Decimal("7.1")) / 2)
        test = _with_index(test, random.choice((after, Decimal("0.0"), Decimal("3.0"), before / 2)))
    return baseline, test


def _baseline_cannot_serve(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    kind = random.choice(("low", "day", "no index"))
    if kind == "low":
        return _with_index(baseline, Decimal(random.choice(("0.0", "4.9", "4.99", "5", "5.0", "5.1")))), test
    if kind == "day":
        days = random.choice((0, 1, 2, -1))
        return replace(baseline, day=test.day + timedelta(days=days)), test
    return _no_index(random, baseline), test


def _rules_unknown(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    performer = random.choice(("Organization/laboratory", "Organization/laboratory", None))
    baseline = replace(baseline, hypopnoea_rule=HypopnoeaRule.UNKNOWN, performer=performer)
    if random.random() < 0.5:
        return baseline, test
    performer = random.choice((performer, performer, "Organization/other"))
    return baseline, replace(test, hypopnoea_rule=HypopnoeaRule.UNKNOWN, performer=performer)


def _laboratory_then_home(random: Random, baseline: SleepTest, test: SleepTest) -> Pair:
    """A laboratory baseline and a home efficacy test, or the other way round."""
    if random.random() < 0.7:
        return _laboratory_recording(random, baseline), _home_recording(random, test)
    return _home_recording(random, baseline), _laboratory_recording(random, test)


CHANGES: tuple[Callable[[Random, SleepTest, SleepTest], Pair], ...] = (
    _either(_other_rule),
    _either(_other_rule),
    _either(_home_recording),
    _either(_laboratory_recording),
    _either(_any_kind),
    _either(_arterial_tone),
    _either(_respiratory_disturbance),
    _either(_hours),
    _either(_count_off),
    _either(_count_off),
    _either(_count_of_other_hours),
    _either(_without_count),
    _either(_whole_number),
    _either(_oxygen_measures),
    _either(_something_on),
    _either(_performer),
    _efficacy(_no_index),
    _efficacy(_worn),
    _efficacy(_worn),
    _efficacy(_scoring),
    _efficacy(_setting),
    _efficacy(_central),
    _efficacy(_central),
    _half,
    _half,
    _below_five_by_stress,
    _worse,
    _worse,
    _oxygen_worse,
    _complete_without_oxygen,
    _supine,
    _alcohol,
    _baseline_cannot_serve,
    _rules_unknown,
    _laboratory_then_home,
    _laboratory_then_home,
)
