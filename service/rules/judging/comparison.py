"""Whether two tests compare, and in which direction a difference between them works.

The differences are said in words; sizes are used for a stress test of the class and never printed as a conversion.
Factors between hypopnoea rules are ratios of medians (Ho 2015, doi 10.5665/sleep.5234).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

from service.rules.decision import ResponseClass
from service.rules.index_classes import classify
from service.rules.judging.consistency import PER_RECORDING, consistency
from service.rules.judging.recording import (
    FROM_LOW_TO_HIGH,
    is_polysomnography,
    name_as_judged,
    recording_to_sleep,
    rule_as_judged,
    scores_no_sleep,
)
from service.rules.judging.validity import rules_untold_by_one_laboratory
from service.rules.kinds import HypopnoeaRule, IndexName, TestKind, Worn
from service.rules.reason import Reason, say
from service.rules.sleep_test import SleepTest
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import number, rounded

_ONE, _NOTHING = Decimal(1), Decimal(0)


class Effect(StrEnum):
    """What a difference does to the result: nothing but words, against it, in its favour, or it cannot be compared."""

    WORDS = "words"
    AGAINST = "works-against-the-result"
    FLATTERS = "flatters-the-result"
    NOT_COMPARABLE = "not-comparable"


class Comparability(StrEnum):
    """How two tests compare."""

    COMPARABLE = "comparable"
    WITH_DIRECTION = "comparable-with-direction"
    NOT_COMPARABLE = "not-comparable"


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference between two tests. `factor` and `points` stress the index on the side it works on.

    `sized` is false where a direction is known and its size is not.
    """

    name: str
    sentence: Reason
    effect: Effect = Effect.WORDS
    factor: Decimal = _ONE
    points: Decimal = _NOTHING
    sized: bool = True
    thresholds: tuple[Threshold, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """The difference as JSON-ready data."""
        return {"name": self.name, "sentence": self.sentence, "effect": self.effect.value}


@dataclass(frozen=True, slots=True)
class TestComparison:
    """How a baseline and an efficacy test compare: the class it leaves, whether as "at least", or why none."""

    comparability: Comparability
    response_class: ResponseClass
    at_least: bool
    differences: tuple[Difference, ...]


_WORST_FIRST = (ResponseClass.NON_RESPONSE, ResponseClass.PARTIAL, ResponseClass.COMPLETE)


def scored_alike(test: SleepTest, baseline: SleepTest) -> SleepTest:
    """The test by the index of the same night that was scored as the baseline was; itself when none or already so."""
    if rule_as_judged(test) is rule_as_judged(baseline) or baseline.hypopnoea_rule is HypopnoeaRule.UNKNOWN:
        return test
    for scored in test.further_indices:
        if scored.rule is baseline.hypopnoea_rule and scored.name is test.index_name:
            return replace(test, index_per_hour=scored.per_hour, hypopnoea_rule=scored.rule, event_count=None)
    return test


def compare(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> TestComparison:
    """The comparison of two tests that both tell an index above 0 at baseline."""
    before, after = baseline.index_per_hour, test.index_per_hour
    assert before and after is not None
    found = tuple(differences(baseline, test, thresholds))
    observed = classify(before, after, thresholds)
    if any(d.effect is Effect.NOT_COMPARABLE for d in found):
        return TestComparison(Comparability.NOT_COMPARABLE, ResponseClass.WITHHELD, False, found)
    flattering = [d for d in found if d.effect is Effect.FLATTERS]
    against = [d for d in found if d.effect is Effect.AGAINST]
    if not flattering and not against:
        return TestComparison(Comparability.COMPARABLE, observed, False, found)
    left = _stressed(before, after, flattering, thresholds) if flattering else observed
    shown = min(observed, left, key=_WORST_FIRST.index)
    undone = shown is ResponseClass.NON_RESPONSE and observed is not ResponseClass.NON_RESPONSE
    hidden = observed is ResponseClass.NON_RESPONSE and _would_be_halved(before, after, against, thresholds)
    if undone or hidden:
        return TestComparison(Comparability.NOT_COMPARABLE, ResponseClass.WITHHELD, False, found)
    return TestComparison(Comparability.WITH_DIRECTION, shown, shown is not ResponseClass.NON_RESPONSE, found)


def _stressed(before: Decimal, after: Decimal, flattering: list[Difference], thresholds: Thresholds) -> ResponseClass:
    """The class when all that flatters the result is taken off it: factors multiply, points are added after them."""
    alcohol = sum((d.points for d in flattering if d.name == _ALCOHOL), _NOTHING)
    added = sum((d.points for d in flattering if d.name != _ALCOHOL), _NOTHING)
    factor = _ONE
    for item in flattering:
        factor *= item.factor
    lower = before - alcohol
    return classify(lower, after * factor + added, thresholds) if lower > 0 else ResponseClass.NON_RESPONSE


def _would_be_halved(before: Decimal, after: Decimal, against: list[Difference], thresholds: Thresholds) -> bool:
    """Whether the index could have been halved if what works against the result is taken off it."""
    if any(not d.sized for d in against):
        return True
    factor = _ONE
    for item in against:
        factor *= item.factor
    return bool(against) and classify(before * factor, after, thresholds) is not ResponseClass.NON_RESPONSE


_ALCOHOL, _RDI_BEFORE = "alcohol-at-baseline", "rdi-before"


def allows_worse(found: Iterable[Difference]) -> bool:
    """Whether a rise can be said plainly: the tests compare, or what differs can only make the rise look smaller."""
    return all(d.effect in (Effect.WORDS, Effect.FLATTERS) or d.name == _RDI_BEFORE for d in found)


def differences(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    """Every difference between two tests that bears on their comparison."""
    yield from _kinds(baseline, test)
    yield from _names(baseline, test)
    yield from _rules(baseline, test, thresholds)
    yield from _hours(baseline, test, thresholds)
    yield from _worn_part(test, thresholds)
    yield from _that_night(baseline, test, thresholds)
    yield from _people_and_places(baseline, test, thresholds)


def _kinds(baseline: SleepTest, test: SleepTest) -> Iterator[Difference]:
    kinds = (baseline.kind, test.kind)
    if TestKind.OXIMETRY in kinds:
        yield Difference("oximetry", say("compared.oximetry"), Effect.NOT_COMPARABLE)
    elif kinds.count(TestKind.ARTERIAL_TONE) == 1:
        yield Difference("arterial-tone", say("compared.arterial-tone"), Effect.NOT_COMPARABLE)


def _names(baseline: SleepTest, test: SleepTest) -> Iterator[Difference]:
    before, after = name_as_judged(baseline), name_as_judged(test)
    if before is after or IndexName.RDI not in (before, after):
        return
    if after is IndexName.RDI:
        yield Difference("rdi-after", say("compared.rdi-after", before=before), Effect.AGAINST, sized=False)
    else:
        yield Difference(_RDI_BEFORE, say("compared.rdi-before", after=after), Effect.NOT_COMPARABLE)


def _rules(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    before, after = rule_as_judged(baseline), rule_as_judged(test)
    if rules_untold_by_one_laboratory(test, baseline):
        yield Difference("rules-untold", say("compared.rules-untold"))
        return
    if after is HypopnoeaRule.UNKNOWN or before is after:
        return
    if before is HypopnoeaRule.UNKNOWN:
        worst = rule_factor(after, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, thresholds)
        effect = Effect.FLATTERS if worst else Effect.WORDS
        factor = worst.value if worst else _ONE
        used = (worst,) if worst else ()
        sentence = say("compared.rule-untold-before", after=after)
        yield Difference("rule-untold-before", sentence, effect, factor, thresholds=used)
        return
    size = rule_factor(before, after, thresholds)
    assert size
    reads_lower = FROM_LOW_TO_HIGH.index(after) < FROM_LOW_TO_HIGH.index(before)
    effect = Effect.FLATTERS if reads_lower else Effect.AGAINST
    words = "compared.rule-lower-after" if reads_lower else "compared.rule-higher-after"
    yield Difference("rule", say(words, before=before.value, after=after.value), effect, size.value, thresholds=(size,))


def rule_factor(one: HypopnoeaRule, other: HypopnoeaRule, thresholds: Thresholds) -> Threshold | None:
    """The ratio between two hypopnoea rules; None for the same one."""
    pair = {one, other}
    if pair == {HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL}:
        return thresholds.rule_factor_4_arousal
    if pair == {HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT}:
        return thresholds.rule_factor_4_3
    if pair == {HypopnoeaRule.THREE_PERCENT, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL}:
        return thresholds.rule_factor_3_arousal
    return None


def is_per_sleep(test: SleepTest, thresholds: Thresholds) -> bool:
    """Whether an index is per hour of sleep; one that fits its recording alone is not."""
    if name_as_judged(test) is IndexName.REI or scores_no_sleep(test):
        return False
    return all(f.name != PER_RECORDING for f in consistency(test, thresholds))


def _hours(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    before, after = is_per_sleep(baseline, thresholds), is_per_sleep(test, thresholds)
    if before is after:
        return
    by_recording = (baseline, test) if after else (test, baseline)
    told = recording_to_sleep(*by_recording)
    factor = max(told, _ONE) if told else thresholds.sleep_factor.value
    if told and factor == _ONE:
        return
    used = () if told else (thresholds.sleep_factor,)
    effect = Effect.AGAINST if after else Effect.FLATTERS
    words = "compared.per-sleep-after" if after else "compared.per-recording-after"
    yield Difference("hours", say(words), effect, factor, thresholds=used)


def _worn_part(test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    """An index of the whole night, where the part that the appliance was worn is long enough to be valid."""
    worn = test.worn_hours if test.worn is Worn.PART else None
    if worn is not None and worn >= thresholds.part_worn_hours.value and test.index_of_worn_hours is not True:
        yield Difference("worn-in-part", say("compared.worn-in-part"), Effect.AGAINST, sized=False)


def _that_night(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    before, after = baseline.supine_share, test.supine_share
    if before is None or after is None:
        yield Difference("supine-untold", say("compared.supine-untold"))
    elif abs(before - after) * 100 >= thresholds.supine_points.value:
        told = {"before": rounded(before * 100, "1"), "after": rounded(after * 100, "1")}
        used = (thresholds.supine_points, thresholds.supine_per_point)
        if after < before:
            points = (before - after) * 100 * thresholds.supine_per_point.value
            sentence = say("compared.less-supine-after", **told)
            yield Difference("supine", sentence, Effect.FLATTERS, points=points, thresholds=used)
        else:
            yield Difference("supine", say("compared.more-supine-after", **told), thresholds=used)
    if baseline.alcohol is True and test.alcohol is False:
        size = thresholds.alcohol_index
        sentence = say("compared.alcohol-before")
        yield Difference(_ALCOHOL, sentence, Effect.FLATTERS, points=size.value, thresholds=(size,))
    elif baseline.alcohol is None or test.alcohol is None:
        yield Difference("alcohol-untold", say("compared.alcohol-untold"))


def _people_and_places(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    yield from _weights(baseline, test, thresholds)
    if baseline.split_night:
        yield Difference("split-night", say("compared.split-night"))
    if _place_known(baseline) and _place_known(test) and is_polysomnography(baseline) != is_polysomnography(test):
        yield Difference("places", say("compared.places"))
    age = (test.day - baseline.day).days
    if age > thresholds.baseline_old_days.value:
        years = number(Decimal(age // 365))
        used = (thresholds.baseline_old_days,)
        yield Difference("baseline-old", say("compared.baseline-old", years=years), thresholds=used)


def _place_known(test: SleepTest) -> bool:
    return test.place is not None or test.kind is not None


def _weights(baseline: SleepTest, test: SleepTest, thresholds: Thresholds) -> Iterator[Difference]:
    before, after = baseline.weight_kg, test.weight_kg
    if before is None or after is None:
        yield Difference("weight-untold", say("compared.weight-untold"))
        return
    change = (after - before) * 100 / before
    told = {"before": before, "after": after, "percent": rounded(abs(change), "0.1")}
    if -change >= thresholds.weight_together_percent.value:
        used = (thresholds.weight_together_percent,)
        yield Difference("weight", say("compared.weight-together", **told), thresholds=used)
    elif abs(change) >= thresholds.weight_said_percent.value:
        words = "compared.weight-lost" if change < 0 else "compared.weight-gained"
        yield Difference("weight", say(words, **told), thresholds=(thresholds.weight_said_percent,))
