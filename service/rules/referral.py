"""Is the referral complete, and what needs attention before an appliance is made?

A physician diagnoses and prescribes (AASM/AADSM 2015, doi 10.5664/jcsm.4858). Cautions on candidacy
(`candidacy.py`) are shown and never block; a dentist and a physician weigh them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from enum import StrEnum

from service.rules.arrival import age_on
from service.rules.candidacy import candidacy
from service.rules.course import Course, course_on
from service.rules.criteria_of_state import baseline_known
from service.rules.decision import Criterion, Decision, Measured, Party, Status
from service.rules.facts import CaseFacts
from service.rules.index_classes import severity
from service.rules.judging.finding import Weight
from service.rules.kinds import HypopnoeaRule
from service.rules.reason import say
from service.rules.referral_order import Referral
from service.rules.thresholds import Thresholds

RULE = "referral-check"
VERSION = "2.1.0"

_HO = "Ho 2015, doi 10.5665/sleep.5234"
# ICD-10-CM and SNOMED CT codes of obstructive sleep apnoea.
_SLEEP_APNOEA = frozenset({"G47.33", "78275009"})


class ReferralOutcome(StrEnum):
    """Outcomes of the referral check."""

    COMPLETE = "referral-complete"
    NEEDS_ATTENTION = "referral-needs-attention"
    INCOMPLETE = "referral-incomplete"


def check_referral(facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course | None = None) -> Decision:
    """The referral check on `as_of`: what is missing, what is not as asked, and what needs attention."""
    course = course or course_on(facts, as_of, thresholds)
    referral = facts.referral if facts.referral and facts.referral.day <= as_of else None
    asked = (
        _prescribed(referral, as_of),
        _diagnosed(referral, as_of),
        baseline_known(course, thresholds),
        _agrees(course),
        _long_enough(course, thresholds),
        _recent(course, thresholds),
        _rule_named(course),
        _severity(course, thresholds),
        _adult(referral, thresholds, as_of),
    )
    cautions = candidacy(course, referral, thresholds)
    return _decision(as_of, asked, cautions)


def _decision(as_of: date, asked: Sequence[Criterion], cautions: Sequence[Criterion]) -> Decision:
    open_points = [c for c in asked if c.status in (Status.UNMET, Status.UNKNOWN)]
    weigh = tuple(c.title.lower() for c in (*asked, *cautions) if c.status is Status.ATTENTION)
    attention = f" {say('referral.attention', what=weigh)}" if weigh else ""
    if open_points:
        missing = tuple(_asked_first([c for c in open_points if c.missing]))
        unmet = tuple(c.title.lower() for c in open_points if not c.missing)
        parts = [say("referral.missing", what=missing)] if missing else []
        parts += [say("referral.not-as-asked", what=unmet)] if unmet else []
        sentence = f"{say('referral.incomplete', what='; '.join(parts))}{attention}"
        outcome, mover = ReferralOutcome.INCOMPLETE, Party.PHYSICIAN
    elif weigh:
        sentence = f"{say('referral.complete')}{attention}"
        outcome, mover = ReferralOutcome.NEEDS_ATTENTION, Party.DENTIST
    else:
        sentence = say("referral.complete-clear")
        outcome, mover = ReferralOutcome.COMPLETE, Party.DENTIST
    return Decision(RULE, VERSION, as_of, outcome.value, sentence, (*asked, *cautions), mover)


_OF_THE_REFERRAL = ("diagnosed", "adult")
_OF_THE_BASELINE = ("baseline-agrees", "baseline-long-enough", "baseline-recent", "hypopnoea-rule-named", "severity")


def _asked_first(unknown: Sequence[Criterion]) -> list[str]:
    """What is missing, without the parts of a document that is missing as a whole."""
    absent = {c.missing for c in unknown}
    parts = {*(_OF_THE_REFERRAL if _NO_REFERRAL in absent else ())}
    parts |= {*(_OF_THE_BASELINE if any(c.name == "baseline-known" for c in unknown) else ())}
    return [c.missing for c in unknown if c.name not in parts]


def _prescribed(referral: Referral | None, as_of: date) -> Criterion:
    name, title = "prescribed", "Prescription by a physician"
    if referral is None:
        text = say("referral.none", on=as_of)
        return Criterion(name, title, Status.UNKNOWN, text, missing=_NO_REFERRAL)
    inputs = (referral.source,)
    if referral.prescriber_is_physician is False:
        text = say("referral.not-a-physician", on=referral.day)
        return Criterion(name, title, Status.UNMET, text, inputs=inputs, needs="a physician prescribes the appliance")
    if not referral.prescriber:
        text = say("referral.nobody-prescribes", on=referral.day)
        return Criterion(name, title, Status.UNKNOWN, text, inputs=inputs, missing="the physician who prescribes")
    text = say("referral.prescribed", on=referral.day)
    return Criterion(name, title, Status.MET, text, inputs=inputs)


def _diagnosed(referral: Referral | None, as_of: date) -> Criterion:
    name, title = "diagnosed", "Diagnosis"
    if referral is None or not referral.diagnosis_codes:
        text = say("referral.no-diagnosis", on=as_of)
        inputs = (referral.source,) if referral else ()
        return Criterion(name, title, Status.UNKNOWN, text, inputs=inputs, missing="the physician's diagnosis")
    told = tuple(sorted(referral.diagnosis_codes))
    if _SLEEP_APNOEA.isdisjoint(referral.diagnosis_codes):
        text = say("referral.other-diagnosis", on=referral.day, codes=told)
        return Criterion(name, title, Status.ATTENTION, text, inputs=referral.told_by("diagnosis_codes"))
    text = say("referral.diagnosed", on=referral.day, codes=told)
    return Criterion(name, title, Status.MET, text, inputs=referral.told_by("diagnosis_codes"))


_NO_REFERRAL = "the referral"
_NO_TEST = "There is no baseline test with an AHI, REI or RDI to judge by."


def _long_enough(course: Course, thresholds: Thresholds) -> Criterion:
    name, title, asked = "baseline-long-enough", "Baseline test long enough", thresholds.test_hours
    test = course.baseline
    if test is None:
        return Criterion(name, title, Status.UNKNOWN, _NO_TEST, missing="the recording hours of the baseline test")
    inputs, hours = test.sources, test.recording_hours
    if hours is None:
        text = say("referral.hours-untold", on=test.day)
        missing = "the recording hours of the baseline test"
        return Criterion(name, title, Status.UNKNOWN, text, (), (asked,), inputs, missing=missing)
    text = say("referral.hours", on=test.day, hours=hours, asked=asked.value)
    status = Status.MET if hours >= asked.value else Status.UNMET
    needs = "" if status is Status.MET else "the physician decides on another baseline test"
    return Criterion(name, title, status, text, (Measured(hours, "h"),), (asked,), inputs, needs=needs)


def _agrees(course: Course) -> Criterion:
    """Whether the report of the baseline test agrees with itself."""
    name, title, test = "baseline-agrees", "Baseline report agrees with itself", course.baseline
    if test is None:
        return Criterion(name, title, Status.UNKNOWN, _NO_TEST, missing="the report of the baseline test")
    asked = [f for f in course.baseline_findings if f.weight is not Weight.NOTE]
    if not asked:
        return Criterion(name, title, Status.MET, say("referral.baseline-agrees", on=test.day), inputs=test.sources)
    sentence = asked[0].sentence
    needs = "the sleep laboratory corrects or confirms the report"
    used = asked[0].thresholds
    return Criterion(name, title, Status.ATTENTION, sentence, (), used, test.sources, needs=needs)


def _recent(course: Course, thresholds: Thresholds) -> Criterion:
    """Judged on the day the appliance was delivered, or on the day of the check while none is."""
    name, title, asked = "baseline-recent", "Baseline test recent", thresholds.baseline_recent_days
    test = course.baseline
    if test is None:
        return Criterion(name, title, Status.UNKNOWN, _NO_TEST, missing="the day of the baseline test")
    until = course.appliance.delivered_on if course.appliance else course.as_of
    age = max((until - test.day).days, 0)
    text = say("referral.age-of-test", on=test.day, days=age, until=until, asked=asked.value)
    status = Status.MET if age <= asked.value else Status.UNMET
    needs = "" if status is Status.MET else "the physician decides on another baseline test"
    observed = (Measured(Decimal(age), "d"),)
    return Criterion(name, title, status, text, observed, (asked,), test.sources, needs=needs)


def _rule_named(course: Course) -> Criterion:
    name, title = "hypopnoea-rule-named", "Hypopnoea rule named"
    test, missing = course.baseline, "the hypopnoea rule of the baseline test"
    if test is None:
        return Criterion(name, title, Status.UNKNOWN, _NO_TEST, missing=missing)
    if test.hypopnoea_rule is HypopnoeaRule.UNKNOWN:
        text = say("referral.rule-untold", on=test.day, name=test.index_name or "index")
        return Criterion(name, title, Status.UNKNOWN, text, inputs=test.sources, missing=missing, cites=_HO)
    text = say("referral.rule", on=test.day, name=test.index_name or "index", rule=test.hypopnoea_rule.value)
    return Criterion(name, title, Status.MET, text, inputs=test.sources)


def _severity(course: Course, thresholds: Thresholds) -> Criterion:
    name, title, test = "severity", "Severity", course.baseline
    used = (thresholds.normal_index, thresholds.moderate_index, thresholds.severe_index)
    if test is None or test.index_per_hour is None:
        return Criterion(name, title, Status.UNKNOWN, _NO_TEST, missing="the severity")
    index = test.index_per_hour
    found = severity(index, thresholds)
    words = "referral.no-apnoea" if found == "none" else "referral.severity"
    told = {"name": test.index_name or "An index of", "index": index, "on": test.day, "severity": found}
    text = say(words, **told, limits=tuple(t.value for t in used))
    status = Status.ATTENTION if found == "none" else Status.MET
    return Criterion(name, title, status, text, (Measured(index, "{events}/h"),), used, test.sources)


def _adult(referral: Referral | None, thresholds: Thresholds, as_of: date) -> Criterion:
    name, title, limit = "adult", "Age", thresholds.adult_years
    if referral is None or referral.birth_date is None:
        text = say("referral.no-birth-date", on=as_of)
        return Criterion(name, title, Status.UNKNOWN, text, (), (limit,), missing="the date of birth")
    age = age_on(referral.birth_date, referral.day)
    text = say("referral.age", age=age, on=referral.day, limit=limit.value)
    status = Status.MET if age >= limit.value else Status.UNMET
    needs = "" if status is Status.MET else "the physician chooses another way"
    observed = (Measured(Decimal(age), "a"),)
    return Criterion(name, title, status, text, observed, (limit,), (referral.source,), needs=needs)
