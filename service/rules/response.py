"""How treatment responded: the efficacy test against the baseline test.

Three published criteria are reported side by side (Sutherland 2015, doi 10.5664/jcsm.4934); the class
follows AHRQ Comparative Effectiveness Review 32. A disagreement between them is shown, never hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from service.rules.course import Course, course_on
from service.rules.criteria_of_state import adequate_test
from service.rules.decision import Criterion, Measured, ResponseClass, Status, threshold_data, unique_thresholds
from service.rules.facts import CaseFacts, HypopnoeaRule, SleepTest, Source
from service.rules.thresholds import Threshold, Thresholds
from service.rules.words import day, number, rounded, sides

RULE = "response-to-treatment"
VERSION = "1.0.0"


@dataclass(frozen=True, slots=True)
class Response:
    """The response on `as_of`. `fall_percent` is the fall from baseline in %, negative for a rise.

    `comparability` lists every reason why the two tests compare only with care; empty when none is known.
    """

    as_of: date
    response_class: ResponseClass
    sentence: str
    fall_percent: Decimal | None
    severity_before: str
    severity_after: str
    criteria: tuple[Criterion, ...]
    disagreement: str
    comparability: tuple[str, ...]
    baseline: SleepTest
    efficacy: SleepTest

    @property
    def thresholds(self) -> tuple[Threshold, ...]:
        """Every threshold that was compared with, each once."""
        return unique_thresholds(t for c in self.criteria for t in c.thresholds)

    @property
    def inputs(self) -> tuple[Source, ...]:
        """The resource versions of both tests, in a fixed order."""
        both = (self.baseline, self.efficacy)
        return tuple(sorted({s for t in both for s in (t.source, *t.measure_sources)}))

    def as_data(self) -> dict[str, Any]:
        """The response as JSON-ready data."""
        return {
            "rule": RULE,
            "rule_version": VERSION,
            "as_of": self.as_of.isoformat(),
            "outcome": self.response_class.value,
            "sentence": self.sentence,
            "fall_percent": self.fall_percent,
            "severity_before": self.severity_before,
            "severity_after": self.severity_after,
            "criteria": [
                {"name": c.name, "title": c.title, "status": c.status.value, "sentence": c.sentence}
                for c in self.criteria
            ],
            "disagreement": self.disagreement or None,
            "comparability": list(self.comparability),
            "thresholds": [threshold_data(t) for t in self.thresholds],
            "inputs": [{"reference": s.reference, "version": s.version} for s in self.inputs],
        }


def severity(index_per_hour: Decimal, thresholds: Thresholds) -> str:
    """Severity class of an index in events per hour: none, mild, moderate or severe (5 / 15 / 30)."""
    if index_per_hour >= thresholds.severe_index.value:
        return "severe"
    if index_per_hour >= thresholds.moderate_index.value:
        return "moderate"
    return "mild" if index_per_hour >= thresholds.normal_index.value else "none"


def fall_percent(before_per_hour: Decimal, after_per_hour: Decimal) -> Decimal | None:
    """Fall from `before` to `after` in % of `before`; negative for a rise, None when `before` is 0."""
    if before_per_hour == 0:
        return None
    return (before_per_hour - after_per_hour) * 100 / before_per_hour


def classify(before_per_hour: Decimal, after_per_hour: Decimal, thresholds: Thresholds) -> ResponseClass:
    """Complete: at least halved and under 5 per hour. Partial: at least halved. Otherwise non-response."""
    fall = fall_percent(before_per_hour, after_per_hour)
    if fall is None:
        return ResponseClass.CANNOT_SAY
    if fall < thresholds.halved_percent.value:
        return ResponseClass.NON_RESPONSE
    resolved = after_per_hour < thresholds.normal_index.value
    return ResponseClass.COMPLETE if resolved else ResponseClass.PARTIAL


def _fall_in_words(fall: Decimal, places: str) -> str:
    return f"a {'fall' if fall >= 0 else 'rise'} of {number(abs(rounded(fall, places)))} %"


def response_criteria(
    before_per_hour: Decimal, after_per_hour: Decimal, thresholds: Thresholds
) -> tuple[Criterion, Criterion, Criterion]:
    """The three published response criteria, each met or unmet with its values."""
    normal, low, halved = thresholds.normal_index, thresholds.low_index, thresholds.halved_percent
    fall = fall_percent(before_per_hour, after_per_hour)
    fell = fall is not None and fall >= halved.value
    after = Measured(after_per_hour, "{events}/h")
    observed = (after, Measured(rounded(fall, "0.01"), "%")) if fall is not None else (after,)
    fall_text = _fall_in_words(fall, "0.01") if fall is not None else "no fall from a baseline of 0"

    def one(name: str, title: str, met: bool, text: str, *used: Threshold) -> Criterion:
        return Criterion(name, title, Status.MET if met else Status.UNMET, text, observed, used)

    return (
        one(
            "index-under-5",
            "Index under 5 per hour",
            after_per_hour < normal.value,
            f"{number(after_per_hour)} events per hour, against under {number(normal.value)} ({normal.cited}).",
            normal,
        ),
        one(
            "index-under-10-and-halved",
            "Index under 10 per hour and at least halved",
            after_per_hour < low.value and fell,
            f"{number(after_per_hour)} events per hour and {fall_text}, against under {number(low.value)} and at least "
            f"{number(halved.value)} % ({low.cited}).",
            low,
            halved,
        ),
        one(
            "index-halved",
            "Index at least halved",
            fell,
            f"{fall_text[0].upper()}{fall_text[1:]}, against at least {number(halved.value)} % ({halved.cited}).",
            halved,
        ),
    )


def assess_response(facts: CaseFacts, thresholds: Thresholds, as_of: date) -> Response | None:
    """The response by the last efficacy test known on `as_of`; None without both tests."""
    course = course_on(facts, as_of)
    usable = [t for t in course.efficacy_tests if t.index_per_hour is not None]
    if course.baseline is None or course.baseline.index_per_hour is None or not usable:
        return None
    baseline, efficacy = course.baseline, usable[-1]
    before, after = course.baseline.index_per_hour, efficacy.index_per_hour
    assert after is not None
    fall = fall_percent(before, after)
    outcome = classify(before, after, thresholds)
    criteria = response_criteria(before, after, thresholds)
    return Response(
        as_of=as_of,
        response_class=outcome,
        sentence=_sentence(outcome, baseline, efficacy, fall),
        fall_percent=rounded(fall, "0.01") if fall is not None else None,
        severity_before=severity(before, thresholds),
        severity_after=severity(after, thresholds),
        criteria=criteria,
        disagreement=_disagreement(criteria),
        comparability=comparability(course, baseline, efficacy, thresholds),
        baseline=baseline,
        efficacy=efficacy,
    )


_CLASS_WORDS = {
    ResponseClass.COMPLETE: "Complete response",
    ResponseClass.PARTIAL: "Partial response",
    ResponseClass.NON_RESPONSE: "Non-response",
    ResponseClass.CANNOT_SAY: "Response cannot be classified",
}


def _sentence(outcome: ResponseClass, before: SleepTest, after: SleepTest, fall: Decimal | None) -> str:
    fell = f", {_fall_in_words(fall, '0.1')}" if fall is not None else ""
    worn = " with the appliance" if after.appliance_worn else ""
    return (
        f"{_CLASS_WORDS[outcome]}: from {_index(before)} {number(before.index_per_hour or 0)} per hour on "
        f"{day(before.day)} to {_index(after)} {number(after.index_per_hour or 0)} per hour on {day(after.day)}{worn}"
        f"{fell}. The physician decides what follows."
    )


def _index(test: SleepTest) -> str:
    return test.index_name.value if test.index_name else "an unnamed index of"


def _disagreement(criteria: tuple[Criterion, ...]) -> str:
    met = [c.title.lower() for c in criteria if c.status is Status.MET]
    unmet = [c.title.lower() for c in criteria if c.status is not Status.MET]
    if not met or not unmet:
        return ""
    return f"The published criteria disagree: met are «{'», «'.join(met)}»; not met «{'», «'.join(unmet)}»."


def comparability(course: Course, baseline: SleepTest, efficacy: SleepTest, thresholds: Thresholds) -> tuple[str, ...]:
    """Every known reason why the two tests compare only with care, one sentence each."""
    found: list[str] = []
    if baseline.index_name is not efficacy.index_name:
        found.append(
            f"The baseline reports {baseline.index_name} and the efficacy test {efficacy.index_name or 'an unnamed index'}; "
            "they are not interchangeable (Bianchi 2017, doi 10.5664/jcsm.6540)."
        )
    if HypopnoeaRule.UNKNOWN in (baseline.hypopnoea_rule, efficacy.hypopnoea_rule):
        found.append("The hypopnoea rule of at least one test is not known (Ho 2015, doi 10.5665/sleep.5234).")
    elif baseline.hypopnoea_rule is not efficacy.hypopnoea_rule:
        found.append(
            f"Hypopnoeas were scored by «{baseline.hypopnoea_rule}» at baseline and by «{efficacy.hypopnoea_rule}» at the "
            "efficacy test (Ho 2015, doi 10.5665/sleep.5234)."
        )
    if baseline.place and efficacy.place and baseline.place is not efficacy.place:
        found.append(f"The baseline was a {baseline.place} test and the efficacy test a {efficacy.place} test.")
    for test, name in ((baseline, "baseline"), (efficacy, "efficacy")):
        if not adequate_test(test, thresholds):
            hours = f"{number(test.recording_hours)} hours" if test.recording_hours is not None else "an unknown time"
            limit = thresholds.test_hours
            found.append(
                f"The {name} test recorded {hours}; at least {number(limit.value)} are adequate ({limit.cited})."
            )
    if not efficacy.appliance_worn:
        found.append("The appliance is not recorded as worn during the efficacy test.")
    tested = (efficacy.setting_left_mm, efficacy.setting_right_mm)
    if course.setting and tested[0] is not None and tested[1] is not None and tested != course.setting.pair:
        found.append(
            f"The test was made at {sides(tested[0], tested[1])}; the setting now is {sides(*course.setting.pair)}."
        )
    elif course.onset and efficacy.day < course.onset:
        found.append(f"The test of {day(efficacy.day)} was made before the current setting of {day(course.onset)}.")
    return tuple(found)
