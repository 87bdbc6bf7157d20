"""The judged test, written a second time from the clinical rules' words alone, to compare the service's answers with.

Everything is computed with exact fractions, at the thresholds' printed defaults. It shares only types with the service.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from service.rules.kinds import HypopnoeaRule, IndexName, Scoring, TestKind, TestPlace, Worn
from service.rules.sleep_test import SleepTest

COMPLETE, PARTIAL, NON_RESPONSE, WITHHELD = "complete", "partial", "non-response", "withheld"
CAUSES = ("central", "oxygen", "inconsistent", "untold", "invalid", "combination", "not-comparable", "baseline")
FINDINGS = (
    "central",
    "central-caution",
    "oxygen-today",
    "oxygen-7-days",
    "worse-oximetry",
    "odi-worse",
    "index-worse",
)
CONSISTENCY = ("fits", "note", "question", "inconsistent")

_WORST_FIRST = (NON_RESPONSE, PARTIAL, COMPLETE)
_WITH_EEG = (TestKind.POLYSOMNOGRAPHY, TestKind.HOME_EEG)
_WITHOUT_EEG = (TestKind.HOME_FLOW, TestKind.ARTERIAL_TONE, TestKind.OXIMETRY)
_FOUR, _THREE = HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT
_AROUSAL = HypopnoeaRule.THREE_PERCENT_OR_AROUSAL
_HALF = Fraction(1, 2)
_LEAST_HALF_DIGIT = Fraction("0.05")
_LEAST_DISTANCE = Fraction("0.5")

# By how much the first rule reads lower than the second.
_READS_LOWER = {
    (_FOUR, _AROUSAL): Fraction("2.48"),
    (_FOUR, _THREE): Fraction("1.80"),
    (_THREE, _AROUSAL): Fraction("1.38"),
}
# The worst that an efficacy test's rule may flatter when the baseline's is unknown.
_FLATTERS_AT_WORST = {_FOUR: Fraction("2.48"), _THREE: Fraction("1.38"), _AROUSAL: Fraction(1)}


@dataclass(frozen=True, slots=True)
class Judged:
    """What the judged test answers: a class, at least a class or none, why none, and what the index hides."""

    response: str
    at_least: bool
    causes: tuple[str, ...]
    findings: frozenset[str]
    consistency: str
    baseline_consistency: str


@dataclass(frozen=True, slots=True)
class _Reading:
    """One test's index as it is judged: its name, rule and own hours, and whether its count fits them."""

    index: Fraction | None
    name: IndexName | None
    rule: HypopnoeaRule
    hours: Fraction | None
    per_recording: bool
    consistency: str


@dataclass(frozen=True, slots=True)
class _Comparison:
    """The class against a baseline that can serve; None where there is no index to class."""

    response: str | None = None
    at_least: bool = False
    comparable: bool = True


def judge(
    test: SleepTest,
    baseline: SleepTest | None,
    *,
    dentist_setting: tuple[Decimal, Decimal] | None,
    delivered: date | None,
) -> Judged:
    """The efficacy test judged: valid, consistent, comparable, classed, and what the index hides.

    `delivered` is the first delivery of an appliance: there is nothing to test in a night before it.
    """
    del dentist_setting  # neither this nor the test's own setting ever withholds a class
    reading = _read(test)
    base = None if baseline is None else _read(baseline)

    causes = _invalid_or_untold(test, baseline, reading)
    if delivered is None or delivered > test.day:
        causes.add("invalid")
    if reading.consistency == "inconsistent":
        causes.add("inconsistent")
    if test.pap_on or test.positional_device_on or test.oxygen_on:
        causes.add("combination")

    comparison = _Comparison()
    serves = baseline is not None and base is not None and _serves(baseline, base, test)
    if baseline is not None and base is not None and serves:
        comparison = _compare(test, reading, baseline, base)
        if not comparison.comparable:
            causes.add("not-comparable")
    else:
        causes.add("baseline")

    findings = _central(test, reading) | _oxygen(test, baseline) | _worse_oxygen(test, baseline)
    if baseline is not None and base is not None and _rise_can_be_said(test, reading, baseline, base):
        findings.add("index-worse")

    if "central" in findings:
        causes.add("central")
    if not causes and comparison.response == COMPLETE and _oxygen_not_controlled(test):
        causes.add("oxygen")

    return Judged(
        response=WITHHELD if causes or comparison.response is None else comparison.response,
        at_least=comparison.at_least and not causes,
        causes=tuple(cause for cause in CAUSES if cause in causes),
        findings=frozenset(findings),
        consistency=reading.consistency,
        baseline_consistency="fits" if base is None else base.consistency,
    )


# One test's own index


def _read(test: SleepTest) -> _Reading:
    """The index as judged: an RDI without arousals is an AHI, and an AHI from a home test without EEG is an REI.

    Neither that REI nor one told as such can have been scored by arousals.
    """
    name, rule = test.index_name, test.hypopnoea_rule
    if name is IndexName.RDI and test.rdi_with_arousals is False:
        name = IndexName.AHI
    if name is IndexName.AHI and _home_without_eeg(test):
        name = IndexName.REI
    if name is IndexName.REI and _home_without_eeg(test) and rule is _AROUSAL:
        rule = _THREE

    if name is IndexName.REI:
        hours = _first_above_zero(test.monitored_hours, test.recording_hours, test.sleep_hours)
    else:
        hours = _first_above_zero(test.sleep_hours, test.monitored_hours, test.recording_hours)
    by_sleep = name is not IndexName.REI and bool(test.sleep_hours)

    consistency, fits_recording_only = _consistency(test, hours, by_sleep)
    untold = test.index_per_hour is None or name is None
    return _Reading(
        index=None if untold else _exact(test.index_per_hour),
        name=None if untold else name,
        rule=rule,
        hours=_exact(hours),
        per_recording=fits_recording_only or not _index_is_per_sleep(test, name),
        consistency=consistency,
    )


def _home_without_eeg(test: SleepTest) -> bool:
    return test.kind not in _WITH_EEG and (test.place is TestPlace.HOME or test.kind in _WITHOUT_EEG)


def _is_polysomnography(test: SleepTest) -> bool:
    return test.kind is TestKind.POLYSOMNOGRAPHY or (test.kind is None and test.place is TestPlace.LABORATORY)


def _index_is_per_sleep(test: SleepTest, judged_name: IndexName | None) -> bool:
    if judged_name is IndexName.REI:
        return False
    untold = test.kind is None and test.place is None
    return untold or test.kind is TestKind.HOME_EEG or _is_polysomnography(test)


def _consistency(test: SleepTest, hours: Decimal | None, by_sleep: bool) -> tuple[str, bool]:
    """How the count fits the index and its hours, and whether it fits the recorded hours in place of those asleep."""
    events, index = test.event_count, test.index_per_hour
    if events is None or index is None or hours is None:
        return "fits", False
    level = _level(events, hours, index)
    recorded = test.recording_hours
    if recorded is None or level == "fits":
        return level, False
    if by_sleep and _level(events, recorded, index) == "fits":
        return "question", True
    if not by_sleep and not test.monitored_hours and index > 0:
        implied_hours = Fraction(events) / Fraction(index)
        if _HALF * Fraction(recorded) <= implied_hours <= Fraction(recorded):
            return "question", False
    return level, False


def _level(events: int, hours: Decimal, index: Decimal) -> str:
    low, high = _bounds(events, hours, index)
    told = Fraction(index)
    if told < low:
        distance, bound = low - told, low
    elif high is not None and told > high:
        distance, bound = told - high, high
    else:
        return "fits"
    if distance < _LEAST_DISTANCE:
        return "fits"
    share = distance / bound
    if share <= Fraction(5, 100):
        return "note"
    return "question" if share <= Fraction(20, 100) else "inconsistent"


def _bounds(events: int, hours: Decimal, index: Decimal) -> tuple[Fraction, Fraction | None]:
    """The lowest and highest index that so many events in so many hours can print as; no highest in hardly any hours."""
    around_hours, around_index = _half_digit(hours), _half_digit(index)
    low = Fraction(events) / (Fraction(hours) + around_hours) - around_index
    fewest_hours = Fraction(hours) - around_hours
    return low, None if fewest_hours <= 0 else Fraction(events) / fewest_hours + around_index


def _half_digit(number: Decimal) -> Fraction:
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    return max(_LEAST_HALF_DIGIT, _HALF * Fraction(10) ** exponent)


# Valid


def _invalid_or_untold(test: SleepTest, baseline: SleepTest | None, reading: _Reading) -> set[str]:
    causes = set()
    if test.worn is Worn.UNKNOWN:
        causes.add("untold")
    elif test.worn is Worn.NO:
        causes.add("invalid")
    elif test.worn is Worn.PART:
        if test.worn_hours is None:
            causes.add("untold")
        elif test.worn_hours < 4:
            causes.add("invalid")

    if _is_polysomnography(test):
        hours, least = _first_told(test.sleep_hours, test.recording_hours), 2
    else:
        hours, least = _first_told(test.monitored_hours, test.recording_hours), 4
    in_for, night = test.worn_hours, hours if hours is not None else 24
    if test.worn is Worn.ALL_NIGHT and in_for is not None and in_for < 4 and in_for < night:
        causes.add("invalid")
    if hours is None:
        causes.add("untold")
    elif hours < least:
        causes.add("invalid")

    if reading.index is None:
        causes.add("untold")
    if test.hypopnoea_rule is HypopnoeaRule.UNKNOWN and not _both_rules_unknown_from_one_laboratory(test, baseline):
        causes.add("untold")
    if test.scoring is Scoring.AUTOMATIC:
        causes.add("invalid")
    return causes


def _both_rules_unknown_from_one_laboratory(test: SleepTest, baseline: SleepTest | None) -> bool:
    if baseline is None or test.performer is None:
        return False
    unknown = HypopnoeaRule.UNKNOWN
    both_unknown = test.hypopnoea_rule is unknown and baseline.hypopnoea_rule is unknown
    return both_unknown and test.performer == baseline.performer


def _serves(baseline: SleepTest, base: _Reading, test: SleepTest) -> bool:
    if base.index is None or base.index < 5:
        return False
    return base.consistency != "inconsistent" and baseline.day <= test.day


# Comparable, with direction


def _compare(test: SleepTest, reading: _Reading, baseline: SleepTest, base: _Reading) -> _Comparison:
    """The class against the baseline: stressed where a difference flatters, at least where one works against.

    Without an index there is nothing to compare.
    """
    if reading.index is None or base.index is None:
        return _Comparison()
    kinds = (test.kind, baseline.kind)
    comparable = TestKind.OXIMETRY not in kinds and kinds.count(TestKind.ARTERIAL_TONE) != 1
    if reading.name is not IndexName.RDI and base.name is IndexName.RDI:
        comparable = False

    flatters_rule, against_rule = _rule_factors(reading.rule, base.rule)
    flatters_hours, against_hours = _hours_factors(test, reading, baseline, base)
    flatters_by, against_by = flatters_rule * flatters_hours, against_rule * against_hours
    more_supine = _less_supine_adds(test, baseline)
    less_alcohol = Fraction("7.1") if baseline.alcohol is True and test.alcohol is False else Fraction(0)
    flatters = flatters_by != 1 or more_supine > 0 or less_alcohol > 0
    against_without_size = (reading.name is IndexName.RDI and base.name is not IndexName.RDI) or _worn_in_part(test)
    against = against_by != 1 or against_without_size

    observed = _class(base.index, reading.index)
    shown = observed
    if flatters:
        stressed = _class(base.index - less_alcohol, reading.index * flatters_by + more_supine)
        shown = min(observed, stressed, key=_WORST_FIRST.index)
        if shown == NON_RESPONSE and observed != NON_RESPONSE:
            comparable = False
    if observed == NON_RESPONSE and against:
        undone = _halved(base.index * against_by, reading.index)
        if against_without_size or undone:
            comparable = False

    at_least = (flatters or against) and shown != NON_RESPONSE
    return _Comparison(shown, at_least, comparable)


def _rise_can_be_said(test: SleepTest, reading: _Reading, baseline: SleepTest, base: _Reading) -> bool:
    """Whether the index rose and nothing makes the rise look larger than it is, whatever else withholds the class.

    What makes the result look better than it is hides a part of the rise at most. A baseline that contradicts itself, or
    came later, is none.
    """
    if base.consistency == "inconsistent" or baseline.day > test.day or not _index_is_worse(base, reading):
        return False
    kinds = (test.kind, baseline.kind)
    if TestKind.OXIMETRY in kinds or kinds.count(TestKind.ARTERIAL_TONE) == 1:
        return False
    if reading.name is IndexName.RDI and base.name is not IndexName.RDI:
        return False
    against_by = _rule_factors(reading.rule, base.rule)[1] * _hours_factors(test, reading, baseline, base)[1]
    return against_by == 1 and not _worn_in_part(test)


def _class(before: Fraction, after: Fraction) -> str:
    if before <= 0 or not _halved(before, after):
        return NON_RESPONSE
    return COMPLETE if after < 5 else PARTIAL


def _halved(before: Fraction, after: Fraction) -> bool:
    return after <= before * _HALF


def _rule_factors(rule: HypopnoeaRule, base_rule: HypopnoeaRule) -> tuple[Fraction, Fraction]:
    """By how much the hypopnoea rules flatter the result at most, and by how much they work against it."""
    if rule is HypopnoeaRule.UNKNOWN:
        return Fraction(1), Fraction(1)
    if base_rule is HypopnoeaRule.UNKNOWN:
        return _FLATTERS_AT_WORST[rule], Fraction(1)
    return _READS_LOWER.get((rule, base_rule), Fraction(1)), _READS_LOWER.get((base_rule, rule), Fraction(1))


def _hours_factors(
    test: SleepTest, reading: _Reading, baseline: SleepTest, base: _Reading
) -> tuple[Fraction, Fraction]:
    """By how much an index per recording against one per sleep flatters the result, or works against it."""
    if reading.per_recording == base.per_recording:
        return Fraction(1), Fraction(1)
    if reading.per_recording:
        return _recorded_per_slept(test, baseline), Fraction(1)
    return Fraction(1), _recorded_per_slept(baseline, test)


def _recorded_per_slept(per_recording: SleepTest, other: SleepTest) -> Fraction:
    for test in (per_recording, other):
        if test.recording_hours is not None and test.sleep_hours is not None and test.sleep_hours > 0:
            return max(Fraction(test.recording_hours) / Fraction(test.sleep_hours), Fraction(1))
    return Fraction("1.25")


def _less_supine_adds(test: SleepTest, baseline: SleepTest) -> Fraction:
    if test.supine_share is None or baseline.supine_share is None:
        return Fraction(0)
    lower_by = Fraction(baseline.supine_share) - Fraction(test.supine_share)
    return lower_by * 100 * Fraction("0.1") if lower_by >= Fraction("0.20") else Fraction(0)


def _worn_in_part(test: SleepTest) -> bool:
    """Whether the index also covers hours without the appliance, of a night worn long enough to be valid."""
    long_enough = test.worn_hours is not None and test.worn_hours >= 4
    return test.worn is Worn.PART and long_enough and test.index_of_worn_hours is not True


# What the index hides


def _central(test: SleepTest, reading: _Reading) -> set[str]:
    index, share = _exact(test.index_per_hour), _exact(test.central_share)
    per_hour = _exact(test.central_per_hour)
    if per_hour is None and test.central_count is not None and reading.hours:
        per_hour = test.central_count / reading.hours
    if share is None and test.central_count is not None and test.event_count:
        share = Fraction(test.central_count, test.event_count)
    if share is None and test.central_per_hour is not None and index:
        share = Fraction(test.central_per_hour) / index
    if per_hour is None and share is not None and index is not None:
        per_hour = share * index

    many = per_hour is not None and per_hour >= 5
    most = share is not None and share > _HALF
    if many and most:
        return {"central"}
    return {"central-caution"} if many or most else set()


def _oxygen_not_controlled(test: SleepTest) -> bool:
    low_share = test.t90_percent is not None and test.t90_percent >= 10
    return low_share or (test.minutes_at_88 is not None and test.minutes_at_88 >= 5)


def _oxygen(test: SleepTest, baseline: SleepTest | None) -> set[str]:
    if not _oxygen_not_controlled(test):
        return set()
    t90, lowest = test.t90_percent, test.lowest_spo2_percent
    if t90 is None:
        return {"oxygen-7-days"}
    very_low = t90 > 25 or (lowest is not None and lowest < 80 and t90 >= 10)
    before = None if baseline is None else baseline.t90_percent
    as_before = before is not None and before >= t90
    return {"oxygen-today"} if very_low and not as_before else {"oxygen-7-days"}


def _worse_oxygen(test: SleepTest, baseline: SleepTest | None) -> set[str]:
    """Whether T90 or the ODI is worse than at the baseline, where the two can be compared."""
    findings: set[str] = set()
    if baseline is None:
        return findings
    before, after = _exact(baseline.t90_percent), _exact(test.t90_percent)
    other_denominator = test.t90_of is not None and baseline.t90_of is not None and test.t90_of != baseline.t90_of
    comparable = not other_denominator and not test.oxygen_on and not baseline.oxygen_on
    if before is not None and after is not None and comparable and _up(before, after, by=5, share=_HALF):
        findings.add("worse-oximetry")

    before, after = _exact(baseline.odi_per_hour), _exact(test.odi_per_hour)
    same_drop = test.odi_drop_percent is not None and test.odi_drop_percent == baseline.odi_drop_percent
    if before is not None and after is not None and same_drop and _up(before, after, by=5, share=_HALF):
        findings.add("odi-worse")
    return findings


def _index_is_worse(base: _Reading, reading: _Reading) -> bool:
    if base.index is None or reading.index is None:
        return False
    fifth = Fraction(1, 5)
    higher_class = _severity(reading.index) > _severity(base.index)
    return _up(base.index, reading.index, by=5, share=fifth) or (
        higher_class and _up(base.index, reading.index, by=2, share=fifth)
    )


def _up(before: Fraction, after: Fraction, *, by: int, share: Fraction) -> bool:
    return after - before >= by and after - before >= share * before


def _severity(index: Fraction) -> int:
    return sum(index >= limit for limit in (5, 15, 30))


def _first_told(*hours: Decimal | None) -> Decimal | None:
    return next((told for told in hours if told is not None), None)


def _first_above_zero(*hours: Decimal | None) -> Decimal | None:
    """The first hours that an index can be taken over."""
    return next((told for told in hours if told), None)


def _exact(number: Decimal | None) -> Fraction | None:
    return None if number is None else Fraction(number)
