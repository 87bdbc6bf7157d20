"""An efficacy test judged: valid, then consistent, then comparable; its class or why there is none; what its index hides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.rules.decision import Party, ResponseClass
from service.rules.judging.comparison import (
    Comparability,
    Difference,
    Effect,
    TestComparison,
    allows_worse,
    compare,
    differences,
    scored_alike,
)
from service.rules.judging.consistency import consistency
from service.rules.judging.finding import Cause, Finding, Weight
from service.rules.judging.hidden import CENTRAL, OXYGEN, hidden, worse_on_treatment
from service.rules.judging.validity import BEFORE_DELIVERY, NO_DELIVERY, OfficeRecord, validity
from service.rules.reason import Reason, say
from service.rules.sleep_test import SleepTest
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a test says of the appliance. `test` is read by the index that was scored as the baseline was, if one was told.

    `findings` come in the order in which the first makes the headline: alarms, contradictions, what is untold, invalid, not
    comparable, then questions and notes. `comparison` is None where the baseline cannot serve or the test has no index.
    """

    test: SleepTest
    baseline: SleepTest | None
    response_class: ResponseClass
    at_least: bool
    findings: tuple[Finding, ...]
    comparison: TestComparison | None

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Why the class is withheld, each once, the first of which makes the headline; empty when there is a class."""
        found = {f.cause for f in self.findings if f.cause}
        return tuple(c for c in Cause if c in found)

    @property
    def withheld(self) -> tuple[Finding, ...]:
        """The findings that withhold the class."""
        return tuple(f for f in self.findings if f.cause)

    @property
    def alarms(self) -> tuple[Finding, ...]:
        """What the index hides and somebody must act on, the most pressing first."""
        return tuple(f for f in self.findings if f.weight is Weight.ALARM)

    @property
    def questions(self) -> tuple[Finding, ...]:
        """What is asked of somebody and withholds nothing."""
        return tuple(f for f in self.findings if f.weight is Weight.QUESTION and not f.cause)

    @property
    def differences(self) -> tuple[Difference, ...]:
        """How the two tests differ."""
        return self.comparison.differences if self.comparison else ()

    @property
    def counts_as_tested(self) -> bool:
        """Whether the setting counts as tested: valid and consistent, also when only the comparison is withheld."""
        spoils = (Cause.INCONSISTENT, Cause.UNTOLD, Cause.INVALID, Cause.COMBINATION)
        return not any(c in spoils for c in self.causes)

    @property
    def before_delivery(self) -> bool:
        """Whether no appliance had been delivered by that night, so that it is a test of none."""
        return any(f.name in (BEFORE_DELIVERY, NO_DELIVERY) for f in self.findings)

    @property
    def waits_for_laboratory(self) -> bool:
        """Whether the next move is the laboratory's: a corrected or a completed report."""
        spoiled = {Cause.INVALID, Cause.COMBINATION}.intersection(self.causes)
        return any(c in (Cause.INCONSISTENT, Cause.UNTOLD) for c in self.causes) and not spoiled

    @property
    def thresholds(self) -> tuple[Threshold, ...]:
        """Every threshold that was compared with."""
        used = (t for item in (*self.findings, *self.differences) for t in item.thresholds)
        return tuple(dict.fromkeys(used))

    def as_data(self) -> dict[str, Any]:
        """The judgement as JSON-ready data."""
        return {
            "class": self.response_class.value,
            "at_least": self.at_least,
            "withheld_for": [c.value for c in self.causes],
            "comparability": self.comparison.comparability.value if self.comparison else None,
            "findings": [f.as_data() for f in self.findings],
            "differences": [d.as_data() for d in self.differences],
        }


def judge(test: SleepTest, baseline: SleepTest | None, recorded: OfficeRecord, thresholds: Thresholds) -> Judgement:
    """The judgement of an efficacy test against its baseline, with what the dental office recorded of that night."""
    if baseline is not None:
        test = scored_alike(test, baseline)
    own = consistency(test, thresholds)
    before = _of_the_baseline(baseline, thresholds)
    useless = _baseline_cannot_serve(baseline, test, before, recorded, thresholds)
    findings = [*hidden(test, baseline, thresholds), *own, *validity(test, baseline, recorded, thresholds)]
    comparison = None
    if not useless and baseline and test.index_per_hour is not None and test.index_name is not None:
        comparison = compare(baseline, test, thresholds)
        findings += _not_comparable(test, comparison)
    findings += [*before, *(f for f in useless if f.name not in {b.name for b in before})]
    findings += _worse(test, baseline, before, thresholds)
    findings = [replace(f, cause=Cause.CENTRAL) if f.name == CENTRAL else f for f in findings]
    if comparison and not any(f.cause for f in findings) and comparison.response_class is ResponseClass.COMPLETE:
        findings = [replace(f, cause=Cause.OXYGEN) if f.name == OXYGEN else f for f in findings]
    ordered = tuple(sorted(findings, key=_order))
    if comparison is None or any(f.cause for f in ordered):
        return Judgement(test, baseline, ResponseClass.WITHHELD, False, ordered, comparison)
    return Judgement(test, baseline, comparison.response_class, comparison.at_least, ordered, comparison)


def _order(finding: Finding) -> tuple[int, int, int, str]:
    """Alarms of the same day, other alarms, then causes in their order, then questions and notes."""
    if finding.weight is Weight.ALARM:
        return (0, 0 if finding.days is None else finding.days, 0, finding.name)
    if finding.cause:
        return (1, list(Cause).index(finding.cause), 0, "")
    return (2, 0 if finding.weight is Weight.QUESTION else 1, 0, finding.name)


def _of_the_baseline(baseline: SleepTest | None, thresholds: Thresholds) -> tuple[Finding, ...]:
    """The baseline's own contradictions: its class stays withheld with the baseline as the cause."""
    if baseline is None:
        return ()
    found = consistency(baseline, thresholds)
    return tuple(replace(f, name=f"baseline-{f.name}", cause=Cause.BASELINE if f.cause else None) for f in found)


def _baseline_cannot_serve(
    baseline: SleepTest | None,
    test: SleepTest,
    before: tuple[Finding, ...],
    recorded: OfficeRecord,
    thresholds: Thresholds,
) -> tuple[Finding, ...]:
    """Why there is no fall to tell from a baseline: none, later than the test, no apnoea by it, or a contradiction."""
    late = recorded.late_baseline
    if baseline is None and late is not None:
        return (_no_baseline("baseline-after-delivery", say("judged.baseline-after-delivery", on=late)),)
    if baseline is None or baseline.index_per_hour is None or baseline.index_name is None:
        return (_no_baseline("no-baseline", say("judged.no-baseline")),)
    if baseline.day > test.day:
        return (_no_baseline("baseline-later", say("judged.baseline-later", on=baseline.day)),)
    if baseline.index_per_hour < thresholds.normal_index.value:
        sentence = say("judged.baseline-no-apnoea", index=baseline.index_per_hour, on=baseline.day)
        return (_no_baseline("baseline-no-apnoea", sentence, thresholds.normal_index),)
    if any(f.cause for f in before):
        return (_no_baseline("baseline-inconsistent", say("judged.baseline-inconsistent", on=baseline.day)),)
    return ()


def _no_baseline(name: str, sentence: Reason, *used: Threshold) -> Finding:
    return Finding(name, sentence, Weight.NOTE, Cause.BASELINE, Party.PHYSICIAN, thresholds=used)


def _not_comparable(test: SleepTest, comparison: TestComparison) -> list[Finding]:
    """What keeps two tests from being compared, as one finding each, or that a difference could undo the class."""
    if comparison.comparability is not Comparability.NOT_COMPARABLE:
        return []
    blunt = [d for d in comparison.differences if d.effect is Effect.NOT_COMPARABLE]
    parts = blunt or [d for d in comparison.differences if d.effect in (Effect.AGAINST, Effect.FLATTERS)]
    used = tuple(dict.fromkeys(t for d in parts for t in d.thresholds))
    words = "judged.not-comparable" if blunt else "judged.class-undone"
    sentence = say(words, because=" ".join(d.sentence for d in parts), on=test.day)
    return [Finding("not-comparable", sentence, Weight.NOTE, Cause.NOT_COMPARABLE, Party.PHYSICIAN, thresholds=used)]


def _worse(
    test: SleepTest, baseline: SleepTest | None, before: tuple[Finding, ...], thresholds: Thresholds
) -> list[Finding]:
    """An index that rose, whatever else withholds the class: only a test that does not compare silences this alarm.

    A baseline that contradicts itself, or was made later, is no measure of a rise.
    """
    index = test.index_per_hour
    if baseline is None or baseline.index_per_hour is None or baseline.index_name is None or baseline.day > test.day:
        return []
    if index is None or test.index_name is None or any(f.cause for f in before):
        return []
    if not allows_worse(differences(baseline, test, thresholds)):
        return []
    worse = worse_on_treatment(baseline.index_per_hour, index, test, thresholds)
    return [worse] if worse else []
