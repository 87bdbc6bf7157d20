"""Whether an efficacy test says anything of the appliance: worn, at a known setting, long enough, scored by a person.

Untold alone withholds only for the appliance worn, the hours and the hypopnoea rule; the rest is asked for. Efficacy must
not rest on automatic scoring alone (Rosen 2018, doi 10.5664/jcsm.7540); 4 hours at home by Kapur 2017,
doi 10.5664/jcsm.6506, from memory; the rest is policy.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from service.rules.decision import Party
from service.rules.judging.finding import Cause, Finding, Weight, invalid, question, untold
from service.rules.judging.recording import hours_that_count, is_polysomnography, judged_as_rei
from service.rules.kinds import HypopnoeaRule, Scoring, Worn
from service.rules.reason import say
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import sides

Pair = tuple[Decimal, Decimal]
BEFORE_DELIVERY, NO_DELIVERY = "before-delivery", "no-delivery"
"""The names of the findings that no appliance had been delivered by the night of a test."""


@dataclass(frozen=True, slots=True)
class OfficeRecord:
    """What the dental office recorded that bears on a test: the setting in mm of that night, the first delivery ever.

    `late_baseline` is the day of a baseline test that cannot serve, as it was made after the delivery.
    """

    setting: Pair | None
    delivered: date | None
    late_baseline: date | None = None


def validity(
    test: SleepTest, baseline: SleepTest | None, recorded: OfficeRecord, thresholds: Thresholds
) -> tuple[Finding, ...]:
    """What keeps a test from speaking for the appliance, and what is asked about it."""
    return (
        *_delivery(test, recorded.delivered),
        *_worn(test, thresholds),
        *_setting(test, recorded.setting),
        *_hours(test, thresholds),
        *_index(test, baseline),
        *_scoring(test),
        *_combination(test),
    )


def _delivery(test: SleepTest, delivered: date | None) -> Iterator[Finding]:
    """A night before any delivery is no test of an appliance, whatever its report tells of one."""
    if delivered is None:
        sentence, name, party = say("judged.no-delivery", on=test.day), NO_DELIVERY, Party.DENTIST
    elif test.day < delivered:
        sentence = say("judged.before-delivery", on=test.day, delivered=delivered)
        name, party = BEFORE_DELIVERY, Party.SLEEP_LAB
    else:
        return
    yield Finding(name, sentence, Weight.QUESTION, Cause.INVALID, party)


def _worn(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    on, asked = test.day, thresholds.part_worn_hours
    if test.worn is Worn.UNKNOWN:
        yield untold("worn-untold", say("judged.worn-untold", on=on))
    elif test.worn is Worn.NO:
        yield invalid("not-worn", say("judged.not-worn", on=on))
    elif test.worn is Worn.PART and test.worn_hours is None:
        yield untold("part-hours-untold", say("judged.part-hours-untold", on=on, asked=asked.value), asked)
    elif _worn_too_short(test, asked.value):
        told = {"hours": test.worn_hours, "asked": asked.value}
        yield invalid("part-too-short", say("judged.part-too-short", on=on, **told), asked)


def _worn_too_short(test: SleepTest, asked: Decimal) -> bool:
    """Whether the appliance was in for too few hours; a short night worn to its end is judged by its hours alone."""
    worn, whole = test.worn_hours, hours_that_count(test)
    if worn is None or worn >= asked:
        return False
    return test.worn is Worn.PART or whole is None or worn < whole


def _setting(test: SleepTest, of_that_night: Pair | None) -> Iterator[Finding]:
    if test.setting_left_mm is not None and test.setting_right_mm is not None:
        return
    if of_that_night is None:
        yield question("setting-untold", say("judged.setting-untold", on=test.day), party=Party.DENTIST)
    else:
        setting = sides(*of_that_night)
        yield Finding("setting-from-record", say("judged.setting-from-record", on=test.day, setting=setting))


def _hours(test: SleepTest, thresholds: Thresholds) -> Iterator[Finding]:
    on, least, asked = test.day, thresholds.least_test_hours, thresholds.test_hours
    laboratory, hours = is_polysomnography(test), hours_that_count(test)
    if hours is None:
        yield untold("hours-untold", say("judged.hours-untold", on=on), asked)
        return
    told = {"on": on, "hours": hours, "asked": asked.value}
    asleep = laboratory and test.sleep_hours is not None
    if hours < least.value:
        name = "judged.hours-too-few-asleep" if asleep else "judged.hours-too-few"
        yield invalid("hours-too-few", say(name, on=on, hours=hours, least=least.value), least)
    elif hours < asked.value and not laboratory:
        yield invalid("hours-short", say("judged.hours-short", **told), asked)
    elif hours < asked.value:
        yield Finding(
            "hours-few", say("judged.hours-few-asleep" if asleep else "judged.hours-few", **told), thresholds=(asked,)
        )
    if laboratory and test.sleep_hours is None:
        yield question("sleep-hours-untold", say("judged.sleep-hours-untold", on=on))


def _index(test: SleepTest, baseline: SleepTest | None) -> Iterator[Finding]:
    if test.index_per_hour is None or test.index_name is None:
        yield untold("index-untold", say("judged.index-untold", on=test.day))
        return
    if judged_as_rei(test):
        yield question("judged-as-rei", say("judged.judged-as-rei", on=test.day))
    if test.hypopnoea_rule is not HypopnoeaRule.UNKNOWN:
        return
    if rules_untold_by_one_laboratory(test, baseline):
        yield question("rules-untold", say("judged.rules-untold", on=test.day))
    else:
        yield untold("rule-untold", say("judged.rule-untold", on=test.day))


def rules_untold_by_one_laboratory(test: SleepTest, baseline: SleepTest | None) -> bool:
    """Whether both tests come from one laboratory that names the rule of neither: it is taken as the same one."""
    unknown = HypopnoeaRule.UNKNOWN
    both = baseline is not None and baseline.hypopnoea_rule is unknown and test.hypopnoea_rule is unknown
    return both and test.performer is not None and baseline is not None and baseline.performer == test.performer


def _scoring(test: SleepTest) -> Iterator[Finding]:
    if test.scoring is Scoring.AUTOMATIC:
        yield invalid("scored-by-machine", say("judged.scored-by-machine", on=test.day))
    elif test.scoring is Scoring.UNKNOWN:
        yield question("scoring-untold", say("judged.scoring-untold", on=test.day))


def _combination(test: SleepTest) -> Iterator[Finding]:
    """A test with something else on is one of that combination, and no test of the appliance."""
    names = (("PAP", test.pap_on), ("a positional device", test.positional_device_on), ("oxygen", test.oxygen_on))
    on = tuple(name for name, told in names if told)
    if on:
        sentence = say("judged.combination", what=on, on=test.day)
        yield Finding("combination", sentence, Weight.NOTE, Cause.COMBINATION, Party.PHYSICIAN)
