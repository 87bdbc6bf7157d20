"""What the index of an efficacy test hides: central events, oxygen, and an index that rose.

Judged on every efficacy test, one whose class is withheld too: withholding silences no alarm. The time under 90 %
saturation is anchored in doi 10.2147/NSS.S388238; scorers agree on 52 % of central apnoeas at home (PMC3960390).
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from service.rules.decision import Party
from service.rules.index_classes import severity
from service.rules.judging.finding import Finding, Weight
from service.rules.judging.recording import central_index, central_share, is_polysomnography
from service.rules.reason import Reason, say
from service.rules.sleep_test import SleepTest
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import percent, rounded

CENTRAL, OXYGEN, WORSE_OXIMETRY, WORSE_ODI, WORSE_INDEX = (
    "central-on-treatment",
    "oxygen-not-controlled",
    "worse-oximetry",
    "worse-desaturation-index",
    "worse-on-treatment",
)


def hidden(test: SleepTest, baseline: SleepTest | None, thresholds: Thresholds) -> tuple[Finding, ...]:
    """Central events and oxygen behind the index of a test; the baseline is what oxygen is compared with."""
    return (*_central(test, baseline, thresholds), *_oxygen(test, baseline, thresholds))


def _alarm(name: str, sentence: Reason, days: int, *used: Threshold) -> Finding:
    return Finding(name, sentence, Weight.ALARM, party=Party.PHYSICIAN, days=days, thresholds=used)


def _central(test: SleepTest, baseline: SleepTest | None, thresholds: Thresholds) -> Iterator[Finding]:
    share, index, used = central_share(test), central_index(test), (thresholds.central_share, thresholds.central_index)
    if share is None and index is None:
        before = (
            "judged.central-untold-both" if baseline and central_share(baseline) is None else "judged.central-untold"
        )
        yield Finding("central-untold", say(before, on=test.day), Weight.QUESTION, party=Party.SLEEP_LAB)
        return
    if baseline and central_share(baseline) is None and central_index(baseline) is None:
        yield Finding("central-untold-before", say("judged.central-untold-before", on=baseline.day))
    many = share is not None and share > thresholds.central_share.value
    often = index is not None and index >= thresholds.central_index.value
    if not many and not often:
        return
    told = {
        "on": test.day,
        "share": percent(share, thresholds.central_share.value) if share is not None else "an unknown share",
        "central": rounded(index, "0.1") if index is not None else "an unknown number",
    }
    if many and often and index is not None:
        rest = max((test.index_per_hour or index) - index, Decimal(0))
        words = "judged.central" if is_polysomnography(test) else "judged.central-at-home"
        yield _alarm(CENTRAL, say(words, **told, rest=rounded(rest, "0.1")), _days(thresholds), *used)
    else:
        yield Finding("central-caution", say("judged.central-caution", **told), thresholds=used)


def _days(thresholds: Thresholds) -> int:
    return int(thresholds.finding_days.value)


def oxygen_not_controlled(test: SleepTest, thresholds: Thresholds) -> bool:
    """Whether saturation is low for long: time under 90 %, or minutes at or under 88 %."""
    t90, minutes = test.t90_percent, test.minutes_at_88
    low = t90 is not None and t90 >= thresholds.t90_not_controlled.value
    return low or (minutes is not None and minutes >= thresholds.minutes_not_controlled.value)


def _oxygen(test: SleepTest, baseline: SleepTest | None, thresholds: Thresholds) -> Iterator[Finding]:
    t90, minutes, lowest = test.t90_percent, test.minutes_at_88, test.lowest_spo2_percent
    used = (
        thresholds.t90_not_controlled,
        thresholds.minutes_not_controlled,
        thresholds.t90_today,
        thresholds.spo2_today,
    )
    rose = _t90_rose(test, baseline, thresholds)
    today = _today(test, baseline, thresholds)
    if oxygen_not_controlled(test, thresholds):
        days = 0 if today else _days(thresholds)
        if t90 is None:
            sentence = say("judged.oxygen-minutes", minutes=minutes, on=test.day)
        elif lowest is None:
            sentence = say("judged.oxygen", t90=t90, on=test.day)
        else:
            sentence = say("judged.oxygen-lowest", t90=t90, lowest=lowest, on=test.day)
        yield _alarm(OXYGEN, sentence, days, *used)
    if rose and baseline and t90 is not None:
        worse = {"before": baseline.t90_percent, "after": t90, "on": test.day}
        rises = (thresholds.t90_rise_points, thresholds.t90_rise_times)
        sentence = say("judged.worse-oximetry", **worse)
        yield _alarm(WORSE_OXIMETRY, sentence, 0 if today else int(thresholds.red_flag_days.value), *rises)
    if baseline and _odi_rose(test, baseline, thresholds):
        told = {"before": baseline.odi_per_hour, "after": test.odi_per_hour, "drop": test.odi_drop_percent}
        sentence = say("judged.worse-odi", **told, on=test.day)
        yield _alarm(WORSE_ODI, sentence, _days(thresholds), thresholds.odi_rise, thresholds.odi_rise_percent)


def _today(test: SleepTest, baseline: SleepTest | None, thresholds: Thresholds) -> bool:
    """Whether oxygen is to be looked at the same day: very long or very low, and not as long before treatment."""
    t90, lowest = test.t90_percent, test.lowest_spo2_percent
    if t90 is None:
        return False
    deep = lowest is not None and lowest < thresholds.spo2_today.value and t90 >= thresholds.t90_not_controlled.value
    before = baseline.t90_percent if baseline else None
    return (t90 > thresholds.t90_today.value or deep) and not (before is not None and before >= t90)


def _t90_rose(test: SleepTest, baseline: SleepTest | None, thresholds: Thresholds) -> bool:
    """Whether the time under 90 % rose against a baseline that compares: same denominator, no oxygen given."""
    if baseline is None or baseline.t90_percent is None or test.t90_percent is None:
        return False
    if baseline.oxygen_on or test.oxygen_on:
        return False
    if baseline.t90_of and test.t90_of and baseline.t90_of is not test.t90_of:
        return False
    before, after = baseline.t90_percent, test.t90_percent
    return after - before >= thresholds.t90_rise_points.value and after >= thresholds.t90_rise_times.value * before


def _odi_rose(test: SleepTest, baseline: SleepTest, thresholds: Thresholds) -> bool:
    before, after = baseline.odi_per_hour, test.odi_per_hour
    if before is None or after is None or test.odi_drop_percent is None:
        return False
    if baseline.odi_drop_percent != test.odi_drop_percent:
        return False
    relative = (after - before) * 100 >= thresholds.odi_rise_percent.value * before
    return after - before >= thresholds.odi_rise.value and relative


def worse_on_treatment(before: Decimal, after: Decimal, test: SleepTest, thresholds: Thresholds) -> Finding | None:
    """An index that rose by much, or into a higher class; None otherwise. The two tests must compare."""
    rise = after - before
    if rise <= 0 or rise * 100 < thresholds.index_rise_percent.value * before:
        return None
    classes = ("none", "mild", "moderate", "severe")
    higher = classes.index(severity(after, thresholds)) > classes.index(severity(before, thresholds))
    if rise < thresholds.index_rise.value and not (higher and rise >= thresholds.class_rise.value):
        return None
    used = (thresholds.index_rise, thresholds.index_rise_percent, thresholds.class_rise)
    sentence = say("judged.worse-index", before=before, after=after, on=test.day)
    return _alarm(WORSE_INDEX, sentence, _days(thresholds), *used)
