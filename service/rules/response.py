"""How treatment responded: the efficacy test, judged before it is classed, against the baseline test.

Three published criteria are reported side by side (Sutherland 2015, doi 10.5664/jcsm.4934); the class
follows AHRQ Comparative Effectiveness Review 32. A disagreement between them is shown, never hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from service.rules.alleviation import Alleviation, alleviation
from service.rules.certainty import NIGHT_TO_NIGHT, NIGHT_TO_NIGHT_SOURCE, Certainty, certainty
from service.rules.course import Course, course_on
from service.rules.criteria_of_wear import recent_nights
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
from service.rules.index_classes import fall_percent, severity
from service.rules.judging.judgement import Judgement
from service.rules.kinds import PhysicianChoice
from service.rules.not_counted import sentence_of
from service.rules.other_measures import MeasureChange, other_measures
from service.rules.reason import Reason, reason_data, say
from service.rules.relapse import Relapse, relapse
from service.rules.room import open_when_set
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.step_size import limits_read
from service.rules.suggestions import Suggestion, suggestions
from service.rules.tested_setting import same_setting, setting_of_test, tested_this_setting
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import number, percent, rounded, sides

RULE = "response-to-treatment"
VERSION = "2.1.0"


@dataclass(frozen=True, slots=True)
class Response:
    """The response on `as_of`. `fall_percent` is the fall from baseline in %, negative for a rise; None without one.

    `judgement` says why the class is withheld, or which it is, what is asked and what the index hides. `wear` says what
    wear leaves of the effect, or why that is not known; `own_reading` is the physician's; `cautions` always stand beside it.
    """

    as_of: date
    judgement: Judgement
    sentence: Reason
    fall_percent: Decimal | None
    severity_before: str | None
    severity_after: str | None
    criteria: tuple[Criterion, ...]
    disagreement: str
    measures: tuple[MeasureChange, ...]
    alleviation: Alleviation | None
    wear: Reason
    certainty: Certainty
    suggestions: tuple[Suggestion, ...]
    relapse: Relapse | None
    own_reading: Reason | None
    read_besides: tuple[Source, ...]
    compared_besides: tuple[Threshold, ...]
    cautions: tuple[str, ...] = (NIGHT_TO_NIGHT,)

    @property
    def response_class(self) -> ResponseClass:
        """The class, or that it is withheld."""
        return self.judgement.response_class

    @property
    def baseline(self) -> SleepTest | None:
        """The test it is compared with."""
        return self.judgement.baseline

    @property
    def efficacy(self) -> SleepTest:
        """The test with the appliance."""
        return self.judgement.test

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is said of the test and the comparison beside the class, each once, the first of which weighs most."""
        found = [f.sentence for f in self.judgement.findings]
        found += [d.sentence for d in self.judgement.differences if not any(d.sentence in f for f in found)]
        return tuple(dict.fromkeys(found))

    @property
    def thresholds(self) -> tuple[Threshold, ...]:
        """Every threshold that was compared with, each once."""
        compared = [t for c in self.criteria for t in c.thresholds]
        after = self.relapse.thresholds if self.relapse else ()
        judged = self.judgement.thresholds
        return unique_thresholds((*compared, *judged, *self.certainty.thresholds, *after, *self.compared_besides))

    @property
    def inputs(self) -> tuple[Source, ...]:
        """Every resource version that was read, each once, in a fixed order."""
        tests = {s for t in (self.baseline, self.efficacy) if t for s in t.sources}
        worn = self.alleviation.inputs if self.alleviation else ()
        return tuple(sorted({*tests, *worn, *(self.relapse.inputs if self.relapse else ()), *self.read_besides}))

    def as_data(self) -> dict[str, Any]:
        """The response as JSON-ready data."""
        return {
            "rule": RULE,
            "rule_version": VERSION,
            "as_of": self.as_of.isoformat(),
            "outcome": self.response_class.value,
            "at_least": self.judgement.at_least,
            "withheld_for": [c.value for c in self.judgement.causes],
            "sentence": self.sentence,
            "reason": self.sentence.as_data(),
            "tested_on": self.efficacy.day.isoformat(),
            "fall_percent": self.fall_percent,
            "severity_before": self.severity_before,
            "severity_after": self.severity_after,
            "criteria": [criterion_data(c) for c in self.criteria],
            "disagreement": self.disagreement or None,
            "comparability": self.judgement.as_data()["comparability"],
            "findings": [f.as_data() for f in self.judgement.findings],
            "differences": [d.as_data() for d in self.judgement.differences],
            "remarks": list(self.remarks),
            "measures": [m.as_data() for m in self.measures],
            "alleviation": self.alleviation.as_data() if self.alleviation else None,
            "wear": self.wear,
            "certainty": self.certainty.as_data(),
            "suggestions": [s.as_data() for s in self.suggestions],
            "relapse": self.relapse.sentence if self.relapse else None,
            "own_reading": self.own_reading,
            "own_reading_reason": reason_data(self.own_reading) if self.own_reading else None,
            "cautions": list(self.cautions),
            "cites": [NIGHT_TO_NIGHT_SOURCE],
            "thresholds": [threshold_data(t) for t in self.thresholds],
            "inputs": [{"reference": s.reference, "version": s.version} for s in self.inputs],
        }


def response_criteria(
    before_per_hour: Decimal, after_per_hour: Decimal, thresholds: Thresholds
) -> tuple[Criterion, Criterion, Criterion]:
    """The three published response criteria, each met or unmet with its values."""
    normal, low, halved = thresholds.normal_index, thresholds.low_index, thresholds.halved_percent
    fall = fall_percent(before_per_hour, after_per_hour)
    fell = fall is not None and fall >= halved.value
    after = Measured(after_per_hour, "{events}/h")
    observed = (after, Measured(rounded(fall, "0.01"), "%")) if fall is not None else (after,)
    told = {"index": after_per_hour, "fall": fall_in_words(fall, halved.value)}

    def one(name: str, title: str, met: bool, words: str, *used: Threshold) -> Criterion:
        limits = {t.name: t.value for t in used}
        sentence = say(words, **told, **limits)
        return Criterion(name, title, Status.MET if met else Status.UNMET, sentence, observed, used)

    return (
        one("index-under-5", "Index under 5 per hour", after_per_hour < normal.value, "response.under", normal),
        one(
            "index-under-10-and-halved",
            "Index under 10 per hour and at least halved",
            after_per_hour < low.value and fell,
            "response.under-and-halved",
            low,
            halved,
        ),
        one("index-halved", "Index at least halved", fell, "response.halved", halved),
    )


def fall_in_words(fall: Decimal | None, limit: Decimal) -> Reason:
    """A fall or rise in %, cut towards its own side next to the limit that it is compared with."""
    if fall is None or fall == 0:
        return say("response.no-change" if fall is not None else "response.no-fall")
    shown = percent(abs(fall) / 100, limit / 100)
    return say("response.fell" if fall > 0 else "response.rose", percent=shown)


def assess_response(
    facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None
) -> Response | None:
    """The response by the last efficacy test known on `as_of`; None without one."""
    course = course or course_on(facts, as_of, thresholds)
    if (judged := course.result) is None:
        return None
    baseline, test = judged.baseline, judged.test
    before, after = baseline.index_per_hour if baseline else None, test.index_per_hour
    fall = fall_percent(before, after) if before is not None and after is not None else None
    criteria = response_criteria(before, after, thresholds) if before is not None and after is not None else ()
    worn, suggested = _alleviation(course, judged, thresholds), suggestions(course, facts, judged, thresholds)
    untold = [item for item in course.known.not_counted if item.is_of_a_test]
    return Response(
        as_of=as_of,
        judgement=judged,
        sentence=_sentence(course, judged, fall, thresholds),
        fall_percent=rounded(fall, "0.01") if fall is not None else None,
        severity_before=severity(before, thresholds) if before is not None else None,
        severity_after=severity(after, thresholds) if after is not None else None,
        criteria=criteria,
        disagreement=_disagreement(criteria),
        measures=other_measures(baseline, test) if baseline else (),
        alleviation=worn,
        wear=worn.sentence if worn else _wear_not_known(judged),
        certainty=certainty(judged, thresholds),
        suggestions=suggested,
        relapse=relapse(course, thresholds),
        own_reading=_own_reading(course),
        read_besides=(*_read_besides(course, facts, suggested), *(item.source for item in untold)),
        compared_besides=(thresholds.wear_recent_days,) if worn else (),
        cautions=(NIGHT_TO_NIGHT, *filter(None, [sentence_of(untold)])),
    )


def _own_reading(course: Course) -> Reason | None:
    """The physician's own reading of the test, beside the computed class."""
    if (last := course.decided) is None or last.own_reading is None:
        return None
    return say("response.own-reading", reading=last.own_reading.value, on=last.moment.day)


def _alleviation(course: Course, judged: Judgement, thresholds: Thresholds) -> Alleviation | None:
    """From the recent nights at the setting that was tested; none when the class is withheld."""
    baseline, test = judged.baseline, judged.test
    if judged.response_class is ResponseClass.WITHHELD or not tested_this_setting(course, test, thresholds):
        return None
    if baseline is None or not baseline.index_per_hour or test.index_per_hour is None:
        return None
    return alleviation(baseline.index_per_hour, test.index_per_hour, recent_nights(course, thresholds))


def _wear_not_known(judged: Judgement) -> Reason:
    if judged.response_class is ResponseClass.WITHHELD:
        return say("response.wear-withheld")
    return say("response.wear-unknown")


def _read_besides(course: Course, facts: CaseFacts, suggested: tuple[Suggestion, ...]) -> tuple[Source, ...]:
    """What judgement and suggestions rest on: appliance, setting and, unless all is well, room and tolerance."""
    read = {s.source for s in (*course.run, *((course.appliance,) if course.appliance else ()))}
    if course.decided and course.decided.own_reading:
        read.add(course.decided.source)
    if any(s.act != PhysicianChoice.CONTINUE.value for s in suggested):
        before = (course.previous,) if course.previous else ()
        effects = (*course.open_side_effects, *open_when_set(course, facts))
        read |= {*limits_read(course), *(f.source for f in (*before, *effects))}
    return tuple(sorted(read))


def _sentence(course: Course, judged: Judgement, fall: Decimal | None, thresholds: Thresholds) -> Reason:
    before, after = judged.baseline, judged.test
    told = {"after": _index(after), "on": after.day}
    if judged.response_class is ResponseClass.WITHHELD:
        cause = judged.causes[0] if judged.causes else None
        why = next((f.sentence for f in judged.findings if f.cause is cause), "")
        return say("response.withheld", **told, why=why)
    assert before and fall is not None
    fell = fall_in_words(fall, thresholds.halved_percent.value)
    words = "response.at-least" if judged.at_least else f"response.{judged.response_class}"
    told |= {"before": _index(before), "from_on": before.day, "fall": fell}
    if judged.at_least:
        told["class"] = judged.response_class.value
    elif judged.response_class is ResponseClass.NON_RESPONSE and fall < 0:
        words = "response.not-improved"
    if course.appliance and after.day < course.appliance.delivered_on:
        told |= {"delivered": course.appliance.delivered_on, "what": _CLASS_WORDS[judged.response_class]}
        return say("response.earlier-appliance", **told)
    tested, setting = setting_of_test(course, after), course.setting
    if tested and setting and not same_setting(tested, setting.pair, thresholds):
        told |= {"tested": sides(*tested), "now": sides(*setting.pair), "what": _CLASS_WORDS[judged.response_class]}
        return say("response.elsewhere", **told)
    return say(words, **told)


_CLASS_WORDS = {
    ResponseClass.COMPLETE: "a complete response",
    ResponseClass.PARTIAL: "a partial response",
    ResponseClass.NON_RESPONSE: "a non-response",
}


def _index(test: SleepTest) -> str:
    if test.index_per_hour is None or test.index_name is None:
        return "no index"
    return f"{test.index_name} {number(test.index_per_hour)} per hour"


def _disagreement(criteria: tuple[Criterion, ...]) -> str:
    met = [c.title.lower() for c in criteria if c.status is Status.MET]
    unmet = [c.title.lower() for c in criteria if c.status is not Status.MET]
    if not met or not unmet:
        return ""
    return f"The published criteria disagree: met are «{'», «'.join(met)}»; not met «{'», «'.join(unmet)}»."
