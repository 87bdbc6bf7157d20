"""Documentation that a payer in the United States asks for HCPCS E0486, by CMS LCD L33611 (read in pages quoting it).

A check of documents, not a coverage decision. Used only where the site's region is `US`. The bands of
the criteria leave a gap between 14 and 15 events per hour: it is answered "undefined, ask the payer".
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from enum import StrEnum

from service.rules.course import Course, course_on
from service.rules.decision import Criterion, Decision, Measured, Party, Status
from service.rules.facts import CaseFacts, CheckIn
from service.rules.judging.finding import Weight
from service.rules.judging.recording import hours_that_count, rule_as_judged
from service.rules.kinds import HypopnoeaRule, IndexName
from service.rules.reason import say
from service.rules.referral_order import Referral
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import day, listed, number

RULE = "us-coverage-documentation"
VERSION = "2.1.0"
REGION = "US"

# Symptoms and comorbidities that count in the lower band, as pages quoting the payer's text list them.
LISTED_CONDITIONS = (
    "excessive daytime sleepiness",
    "impaired cognition",
    "mood disorder",
    "insomnia",
    "hypertension",
    "ischaemic heart disease",
    "history of stroke",
)
_NOT_A_DECISION = "This is a check of documents, not a coverage decision"


class Documentation(StrEnum):
    """Outcomes of the documentation check."""

    MET = "documentation-met"
    NOT_MET = "documentation-not-met"
    ATTENTION = "documentation-needs-attention"
    UNDEFINED = "undefined-ask-the-payer"
    CANNOT_SAY = "cannot-say"


def us_coverage_documentation(
    facts: CaseFacts, thresholds: Thresholds, as_of: date, region: str, course: Course | None = None
) -> Decision | None:
    """The documentation check on `as_of`; None unless `region` is `US`."""
    if region != REGION:
        return None
    course = course or course_on(facts, as_of, thresholds)
    referral = facts.referral if facts.referral and facts.referral.day <= as_of else None
    test = course.baseline
    criteria = (
        _face_to_face(referral, test),
        _index(referral, test, course, thresholds),
        *_scoring(test, course, thresholds),
        _made_by(referral, test),
        _told(
            referral,
            "ordered_by_treating_practitioner",
            "ordered-by-treating-practitioner",
            "Ordered by the treating practitioner",
            "the order",
            "given by the treating practitioner",
        ),
        _told(
            referral,
            "dentist_licensed",
            "provided-by-licensed-dentist",
            "Provided by a licensed dentist",
            "the appliance",
            "provided by a licensed dentist",
        ),
        *_days(course, thresholds),
    )
    return _decision(as_of, criteria)


def _scoring(test: SleepTest | None, course: Course, thresholds: Thresholds) -> Iterator[Criterion]:
    """Whether the index was scored and counted as the payer asks; whatever is doubtful is asked, and nothing is met by it."""
    name, title, hours = "payer-scoring", "Scored as the payer asks", thresholds.coverage_hours
    if test is None or test.index_per_hour is None:
        return
    asked = [f.sentence for f in course.baseline_findings if f.weight is not Weight.NOTE]
    if rule_as_judged(test) is not HypopnoeaRule.FOUR_PERCENT:
        asked.append(say("payer.rule", rule=test.hypopnoea_rule.value))
    if test.index_name is IndexName.RDI and test.rdi_with_arousals is not False:
        asked.append(say("payer.rdi"))
    recorded = hours_that_count(test)
    if recorded is None:
        asked.append(say("payer.hours-untold", hours=hours.value))
    elif recorded < hours.value:
        sentence = say("payer.hours-few", recorded=recorded, hours=hours.value)
        yield Criterion("payer-hours", "Hours recorded", Status.UNMET, sentence, (), (hours,), test.sources)
    if asked:
        sentence = say("payer.asked", what=" ".join(asked))
        needs = "the sleep laboratory answers"
        yield Criterion(name, title, Status.ATTENTION, sentence, (), (hours,), test.sources, needs=needs)
    else:
        yield Criterion(name, title, Status.MET, say("payer.scored"), (), (hours,), test.sources)


def _made_by(referral: Referral | None, test: SleepTest | None) -> Criterion:
    """No part of a home test may be the supplier's: the dental office that delivers the appliance."""
    name, title = "test-made-by", "Who made the test"
    office = referral.dental_office if referral else None
    if test is None or test.performer is None or office is None:
        return Criterion(name, title, Status.MET, say("payer.performer-unknown"), inputs=test.sources if test else ())
    if test.performer == office:
        sentence = say("payer.performer-supplies")
        return Criterion(name, title, Status.ATTENTION, sentence, inputs=test.sources, needs="the payer is asked")
    return Criterion(name, title, Status.MET, say("payer.performer"), inputs=test.sources)


def _days(course: Course, thresholds: Thresholds) -> Iterator[Criterion]:
    """On which of the payer's days after the delivery the case is, as information."""
    appliance, limit = course.appliance, thresholds.coverage_days
    if appliance is None:
        return
    day_n = (course.as_of - appliance.delivered_on).days + 1
    if day_n > limit.value:
        return
    sentence = say("payer.day", day=day_n, days=limit.value)
    title = "Days after delivery"
    yield Criterion(
        "payer-days", title, Status.MET, sentence, (Measured(Decimal(day_n), "d"),), (limit,), (appliance.source,)
    )


def _decision(as_of: date, criteria: tuple[Criterion, ...]) -> Decision:
    unmet = [c.title.lower() for c in criteria if c.status is Status.UNMET]
    undefined = [c for c in criteria if c.status is Status.ATTENTION and c.name == "index-and-events" and not c.needs]
    asked = [c.title.lower() for c in criteria if c.status is Status.ATTENTION]
    missing = list(dict.fromkeys(c.missing for c in criteria if c.missing))
    if unmet:
        outcome, what = Documentation.NOT_MET, f"is not met: {listed(unmet)}"
    elif undefined:
        outcome, what = Documentation.UNDEFINED, "is undefined as worded: ask the payer"
    elif missing:
        outcome, what = Documentation.CANNOT_SAY, f"cannot be checked without {listed(missing)}"
    elif asked:
        outcome, what = Documentation.ATTENTION, f"needs attention: {listed(asked)}"
    else:
        outcome, what = Documentation.MET, "is met"
    sentence = f"The documentation asked for an oral appliance by CMS LCD L33611 {what}. {_NOT_A_DECISION}."
    mover = Party.NOBODY if outcome is Documentation.MET else Party.PHYSICIAN
    return Decision(RULE, VERSION, as_of, outcome.value, sentence, criteria, mover)


def _face_to_face(referral: Referral | None, test: SleepTest | None) -> Criterion:
    name, title = "face-to-face-evaluation", "Face-to-face evaluation before the test"
    seen = referral.face_to_face_on if referral else None
    if referral is None or seen is None:
        text = "No face-to-face evaluation is recorded."
        missing = "the day of the face-to-face evaluation"
        return Criterion(name, title, Status.UNKNOWN, text, missing=missing)
    if test is None:
        text = f"The evaluation was on {day(seen)}, but no sleep test is recorded to compare with."
        inputs = referral.told_by("face_to_face_on")
        return Criterion(name, title, Status.UNKNOWN, text, inputs=inputs, missing="the sleep test")
    inputs = (*referral.told_by("face_to_face_on"), *test.sources)
    if seen == test.day:
        text = f"The evaluation and the test were both on {day(seen)}; which came first is not recorded."
        missing = "whether the evaluation came before the test"
        return Criterion(name, title, Status.UNKNOWN, text, inputs=inputs, missing=missing)
    text = f"The evaluation was on {day(seen)}, the test on {day(test.day)}."
    status = Status.MET if seen < test.day else Status.UNMET
    return Criterion(name, title, status, text, inputs=inputs)


def _index(referral: Referral | None, test: SleepTest | None, course: Course, thresholds: Thresholds) -> Criterion:
    """The index with its events, and what else the band asks for."""
    name, title = "index-and-events", "Index and events"
    full, low, end, high = (
        thresholds.coverage_index,
        thresholds.coverage_low_index,
        thresholds.coverage_low_end,
        thresholds.coverage_high_index,
    )
    used = (full, thresholds.coverage_events, low, end, thresholds.coverage_low_events, high)
    if test is None or test.index_per_hour is None:
        text = "No sleep test with an index is recorded."
        return Criterion(name, title, Status.UNKNOWN, text, (), used, missing="the sleep test")
    index = test.index_per_hour
    told = (*referral.told_by("conditions"), *referral.told_by("pap_history")) if referral else ()
    inputs = (*test.sources, *dict.fromkeys(told))
    observed = (Measured(index, "{events}/h"),)
    at = f"{test.index_name or 'The index'} {number(index)} per hour on {day(test.day)}"
    if test.index_name not in (IndexName.AHI, IndexName.RDI):
        text = f"{at}: the criteria name AHI and RDI only; ask the payer."
        return Criterion(name, title, Status.ATTENTION, text, observed, used, inputs)
    if end.value < index < full.value:
        text = f"{at} lies between {number(end.value)} and {number(full.value)}: undefined as worded, ask the payer."
        return Criterion(name, title, Status.ATTENTION, text, observed, used, inputs)
    if index < low.value:
        text = f"{at} is under {number(low.value)}."
        return Criterion(name, title, Status.UNMET, text, observed, used, inputs)
    if index > high.value and referral and (referral.pap_contraindicated or referral.pap_history == "not tolerated"):
        why = "contraindicated" if referral.pap_contraindicated else "not tolerated"
        text = f"{at} is above {number(high.value)} and PAP is {why}."
        return Criterion(name, title, Status.MET, text, observed, used, inputs)
    asked = thresholds.coverage_events if index >= full.value else thresholds.coverage_low_events
    if test.event_count is None:
        text = f"{at}: the number of events is not reported; at least {number(asked.value)} are asked."
        return Criterion(name, title, Status.UNKNOWN, text, observed, used, inputs, missing="the number of events")
    observed += (Measured(Decimal(test.event_count), "{events}"),)
    text = f"{at} with {test.event_count} events, at least {number(asked.value)} being asked"
    if test.event_count < asked.value:
        return Criterion(name, title, Status.UNMET, f"{text}.", observed, used, inputs)
    if index >= full.value:
        return Criterion(name, title, Status.MET, f"{text}.", observed, used, inputs)
    counted = [c for c in LISTED_CONDITIONS if referral and c in referral.conditions]
    if counted:
        return Criterion(name, title, Status.MET, f"{text}, and {listed(counted)}.", observed, used, inputs)
    sleepy = course.baseline_epworth or _epworth_before(course)
    if sleepy and (sleepy.epworth_total or 0) > thresholds.epworth_settled.value:
        sentence = say("payer.epworth", total=sleepy.epworth_total, on=sleepy.moment.day)
        needs = "a person confirms that the patient is sleepy by day"
        told_by = (*inputs, *sleepy.told_by("epworth_total"))
        return Criterion(name, title, Status.ATTENTION, f"{text}. {sentence}", observed, used, told_by, needs=needs)
    text = f"{text}, but no symptom or comorbidity is recorded that the criteria list for an index under 15."
    return Criterion(name, title, Status.UNMET, text, observed, used, inputs)


def _epworth_before(course: Course) -> CheckIn | None:
    """An Epworth total told before any delivery, as with the referral."""
    told = [c for c in course.all_check_ins if c.epworth_total is not None]
    return told[-1] if told and course.delivered is None else None


def _told(referral: Referral | None, field: str, name: str, title: str, subject: str, what: str) -> Criterion:
    """Whether something is stated, by the field of the referral's facts that holds it."""
    said: bool | None = getattr(referral, field) if referral else None
    if referral is None or said is None:
        text = f"Whether {subject} is {what} is not recorded."
        return Criterion(name, title, Status.UNKNOWN, text, missing=f"whether {subject} is {what}")
    text = f"It is stated that {subject} is {'' if said else 'not '}{what}."
    return Criterion(name, title, Status.MET if said else Status.UNMET, text, inputs=referral.told_by(field))
