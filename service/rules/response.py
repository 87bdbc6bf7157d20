"""How treatment responded: the efficacy test against the baseline test.

Three published criteria are reported side by side (Sutherland 2015, doi 10.5664/jcsm.4934); the class
follows AHRQ Comparative Effectiveness Review 32. A disagreement between them is shown, never hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from service.rules.adequate_tests import tested_this_setting
from service.rules.alleviation import Alleviation, alleviation
from service.rules.certainty import NIGHT_TO_NIGHT, Certainty, certainty
from service.rules.comparability import comparability
from service.rules.course import Course, course_on, last_baseline, open_when_set
from service.rules.decision import (
    Criterion,
    Measured,
    ResponseClass,
    Status,
    criterion_data,
    threshold_data,
    unique_thresholds,
)
from service.rules.facts import CaseFacts
from service.rules.index_classes import classify, fall_percent, severity
from service.rules.kinds import PhysicianChoice
from service.rules.other_measures import MeasureChange, other_measures
from service.rules.relapse import Relapse, relapse
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.step_size import limits_read
from service.rules.suggestions import Suggestion, suggestions
from service.rules.thresholds import Threshold, Thresholds
from service.rules.wear_reports import telling_sleep, wear_reports, within
from service.rules.words import day, number, rounded

RULE = "response-to-treatment"
VERSION = "1.2.0"


@dataclass(frozen=True, slots=True)
class Response:
    """The response on `as_of`. `fall_percent` is the fall from baseline in %, negative for a rise.

    `comparability` lists every reason why the two tests compare only with care; empty when none is known.
    `wear` says what wear leaves of the effect, or why that is not known; `cautions` always stand beside it.
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
    measures: tuple[MeasureChange, ...]
    alleviation: Alleviation | None
    wear: str
    certainty: Certainty
    suggestions: tuple[Suggestion, ...]
    relapse: Relapse | None
    read_besides: tuple[Source, ...]
    compared_besides: tuple[Threshold, ...]
    cautions: tuple[str, ...] = (NIGHT_TO_NIGHT,)

    @property
    def thresholds(self) -> tuple[Threshold, ...]:
        """Every threshold that was compared with, each once."""
        compared = [t for c in self.criteria for t in c.thresholds]
        after = self.relapse.thresholds if self.relapse else ()
        return unique_thresholds((*compared, *self.certainty.thresholds, *after, *self.compared_besides))

    @property
    def inputs(self) -> tuple[Source, ...]:
        """Every resource version that was read, each once, in a fixed order."""
        tests = {s for t in (self.baseline, self.efficacy) for s in t.sources}
        worn = self.alleviation.inputs if self.alleviation else ()
        return tuple(sorted({*tests, *worn, *(self.relapse.inputs if self.relapse else ()), *self.read_besides}))

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
            "criteria": [criterion_data(c) for c in self.criteria],
            "disagreement": self.disagreement or None,
            "comparability": list(self.comparability),
            "measures": [m.as_data() for m in self.measures],
            "alleviation": self.alleviation.as_data() if self.alleviation else None,
            "wear": self.wear,
            "certainty": self.certainty.as_data(),
            "suggestions": [s.as_data() for s in self.suggestions],
            "relapse": self.relapse.sentence if self.relapse else None,
            "cautions": list(self.cautions),
            "thresholds": [threshold_data(t) for t in self.thresholds],
            "inputs": [{"reference": s.reference, "version": s.version} for s in self.inputs],
        }


def _fall_in_words(fall: Decimal, places: str) -> str:
    if fall == 0:
        return "no change"
    return f"a {'fall' if fall > 0 else 'rise'} of {number(abs(rounded(fall, places)))} %"


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


def assess_response(
    facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None
) -> Response | None:
    """The response by the last efficacy test known on `as_of`, against the last baseline up to it; None without both."""
    course = course or course_on(facts, as_of)
    efficacy = course.tested
    if efficacy is None:
        return None
    earlier = last_baseline(t for t in course.known.sleep_tests if t.day <= efficacy.day)
    baseline = earlier or course.baseline
    if baseline is None:
        return None
    before, after = baseline.index_per_hour, efficacy.index_per_hour
    assert before is not None and after is not None
    fall = fall_percent(before, after)
    outcome = classify(before, after, thresholds)
    criteria = response_criteria(before, after, thresholds)
    worn = _alleviation(course, baseline, efficacy, thresholds)
    suggested = suggestions(course, facts, efficacy, outcome, thresholds)
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
        measures=other_measures(baseline, efficacy),
        alleviation=worn,
        wear=f"{worn.sentence} {_counted(thresholds)}" if worn else _WEAR_NOT_KNOWN,
        certainty=certainty(baseline, efficacy, outcome, thresholds),
        suggestions=suggested,
        relapse=relapse(course, thresholds),
        read_besides=_read_besides(course, facts, suggested),
        compared_besides=(thresholds.wear_recent_days,) if worn else (),
    )


_WEAR_NOT_KNOWN = (
    "What wear leaves of the effect is not known: no check-in at the setting that was tested tells the hours worn and "
    "the hours slept."
)


def _alleviation(
    course: Course, baseline: SleepTest, efficacy: SleepTest, thresholds: Thresholds
) -> Alleviation | None:
    """From the last check-ins since the onset of the setting, when that setting is the one that was tested."""
    if not tested_this_setting(course, efficacy) or not baseline.index_per_hour or efficacy.index_per_hour is None:
        return None
    told = telling_sleep(wear_reports(course.check_ins))
    recent = within(told, int(thresholds.wear_recent_days.value), told[-1].day) if told else []
    return alleviation(baseline.index_per_hour, efficacy.index_per_hour, [r.check_in for r in recent])


def _counted(thresholds: Thresholds) -> str:
    days = thresholds.wear_recent_days
    return f"The reports of the {number(days.value)} days up to the last one count ({days.cited})."


def _read_besides(course: Course, facts: CaseFacts, suggested: tuple[Suggestion, ...]) -> tuple[Source, ...]:
    """What comparability and suggestions rest on: appliance, setting and, unless all is well, room and tolerance."""
    read = {s.source for s in (*course.run, *((course.appliance,) if course.appliance else ()))}
    if any(s.choice is not PhysicianChoice.CONTINUE for s in suggested):
        before = (course.previous,) if course.previous else ()
        effects = (*course.open_side_effects, *open_when_set(course, facts))
        read |= {*limits_read(course), *(f.source for f in (*before, *effects))}
    return tuple(sorted(read))


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
