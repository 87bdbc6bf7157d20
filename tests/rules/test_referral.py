"""The referral check: what is missing, what is not as asked, what needs attention and blocks nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from service.rules.decision import Criterion, Decision, Party
from service.rules.facts import CaseFacts, DentalAssessment
from service.rules.kinds import HypopnoeaRule, IndexName, ReferralState
from service.rules.referral import check_referral
from service.rules.source import Moment

from .build import AS_OF, DEFAULTS, ago, appliance, baseline, efficacy, referral, rows, source

GOOD = replace(
    referral(ReferralState.REQUESTED, 20),
    birth_date=date(1970, 5, 1),
    prescriber="Practitioner/p",
    diagnosis_codes=("G47.33",),
    pap_history="declined",
)
TESTED = baseline(
    30,
    central_share=Decimal("0.1"),
    supine_per_hour=Decimal(28),
    non_supine_per_hour=Decimal(20),
    odi_per_hour=Decimal(9),
)
EXAMINED = DentalAssessment(source("examined"), Moment(ago(5)), Decimal(10), 14, 12, False, False)
COMPLETE = CaseFacts(referral=GOOD, sleep_tests=(TESTED,), assessments=(EXAMINED,))


def check(facts: CaseFacts, as_of: date = AS_OF) -> Decision:
    return check_referral(facts, DEFAULTS, as_of)


def judged(name: str, **changes) -> Criterion:
    return check(replace(COMPLETE, **changes)).criterion(name)


def test_a_complete_referral():
    decision = check(COMPLETE)
    assert (decision.outcome, decision.whose_move) == ("referral-complete", Party.DENTIST)
    assert decision.sentence == "The referral is complete and nothing in it needs attention."
    assert {c.status.value for c in decision.criteria} == {"met"}
    assert decision.missing == ()
    assert (decision.rule, decision.rule_version, decision.as_of) == ("referral-check", "2.1.0", AS_OF)
    assert [c.name for c in decision.criteria] == [
        "prescribed",
        "diagnosed",
        "baseline-known",
        "baseline-agrees",
        "baseline-long-enough",
        "baseline-recent",
        "hypopnoea-rule-named",
        "severity",
        "adult",
        "central-share",
        "position",
        "pap-history",
        "protrusive-range",
        "teeth",
        "mobile-teeth",
        "tmj-disorder",
    ]


def test_nothing_at_all():
    decision = check(CaseFacts())
    assert (decision.outcome, decision.whose_move) == ("referral-incomplete", Party.PHYSICIAN)
    assert decision.missing == (
        "the referral",
        "the physician's diagnosis",
        "a baseline test with an AHI, REI or RDI",
        "the report of the baseline test",
        "the recording hours of the baseline test",
        "the day of the baseline test",
        "the hypopnoea rule of the baseline test",
        "the severity",
        "the date of birth",
    )
    assert {c.status.value for c in decision.criteria} == {"unknown"}
    assert decision.inputs == ()


def referred(**changes):
    return replace(GOOD, **changes)


PRESCRIBED = rows(
    ("prescriber named", GOOD, "met", "", ""),
    ("signed by a physician", referred(prescriber_is_physician=True), "met", "", ""),
    (
        "signed, but not by a physician",
        referred(prescriber_is_physician=False),
        "unmet",
        "a physician prescribes the appliance",
        "",
    ),
    ("prescriber not named", referred(prescriber=None), "unknown", "", "the physician who prescribes"),
    ("referral of tomorrow", replace(GOOD, day=ago(-1)), "unknown", "", "the referral"),
    ("referral of today", replace(GOOD, day=AS_OF), "met", "", ""),
    ("no referral", None, "unknown", "", "the referral"),
)


@pytest.mark.parametrize(("order", "status", "needs", "missing"), PRESCRIBED)
def test_prescription(order, status, needs, missing):
    item = judged("prescribed", referral=order)
    assert (item.status, item.needs, item.missing) == (status, needs, missing)
    assert bool(item.inputs) == (order is not None and order.day <= AS_OF)


DIAGNOSED = rows(
    ("obstructive sleep apnoea, ICD-10-CM", ("G47.33",), "met"),
    ("obstructive sleep apnoea, SNOMED CT", ("78275009",), "met"),
    ("among others", ("I10", "G47.33"), "met"),
    ("snoring only", ("R06.83",), "attention"),
    ("none", (), "unknown"),
)


@pytest.mark.parametrize(("codes", "status"), DIAGNOSED)
def test_diagnosis(codes, status):
    item = judged("diagnosed", referral=referred(diagnosis_codes=codes))
    assert item.status == status
    assert item.inputs == (GOOD.source,)
    assert all(code in item.sentence for code in codes)
    assert bool(item.missing) == (status == "unknown")


# A home test is adequate from 4 hours (from memory).
HOURS = rows(
    ("3.9 h", "3.9", "unmet"), ("4 h", "4", "met"), ("4.1 h", "4.1", "met"), ("length not known", None, "unknown")
)


@pytest.mark.parametrize(("hours", "status"), HOURS)
def test_baseline_long_enough(hours, status):
    test = replace(TESTED, recording_hours=None if hours is None else Decimal(hours))
    item = judged("baseline-long-enough", sleep_tests=(test,))
    assert item.status == status
    assert bool(item.needs) == (status == "unmet") and bool(item.missing) == (status == "unknown")
    assert [m.value for m in item.observed] == ([] if hours is None else [Decimal(hours)])
    assert item.inputs == (TESTED.source,)


# 730 days: policy of this project.
AGES = rows(
    ("729 days", 729, (), "met", 729),
    ("730 days", 730, (), "met", 730),
    ("731 days", 731, (), "unmet", 731),
    ("counts up to the delivery: 729 days then", 760, (appliance(31),), "met", 729),
    ("counts up to the delivery: 731 days then", 762, (appliance(31),), "unmet", 731),
    ("a test on the day of the delivery is not old", 31, (appliance(31),), "met", 0),
)


@pytest.mark.parametrize(("age", "delivered", "status", "days"), AGES)
def test_baseline_recent(age, delivered, status, days):
    item = judged("baseline-recent", sleep_tests=(replace(TESTED, day=ago(age)),), appliances=delivered)
    assert (item.status, item.observed[0].value) == (status, days)
    assert bool(item.needs) == (status == "unmet")


RULES = rows(
    ("4 %", HypopnoeaRule.FOUR_PERCENT, "met"),
    ("3 % or arousal", HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, "met"),
    ("not known", HypopnoeaRule.UNKNOWN, "unknown"),
)


@pytest.mark.parametrize(("rule", "status"), RULES)
def test_hypopnoea_rule_named(rule, status):
    item = judged("hypopnoea-rule-named", sleep_tests=(replace(TESTED, hypopnoea_rule=rule),))
    assert item.status == status
    assert bool(item.missing) == (status == "unknown")


# Severity 5 / 15 / 30: doi 10.1186/s13063-019-3698-4.
SEVERITY = rows(
    ("4.9: no apnoea by the index", "4.9", "attention", "under the limit of apnoea"),
    ("5", "5", "met", "mild apnoea"),
    ("15", "15", "met", "moderate apnoea"),
    ("30", "30", "met", "severe apnoea"),
)


@pytest.mark.parametrize(("index", "status", "says"), SEVERITY)
def test_severity(index, status, says):
    item = judged("severity", sleep_tests=(replace(TESTED, index_per_hour=Decimal(index)),))
    assert item.status == status and says in item.sentence
    assert item.sentence.endswith("(limits 5, 15 and 30).")
    assert [t.name for t in item.thresholds] == ["normal_index", "moderate_index", "severe_index"]


# Adults only: policy of this project.
BIRTHS = rows(
    ("18 on the day of the referral", date(2008, 9, 10), "met", 18),
    ("18 the day after the referral", date(2008, 9, 11), "unmet", 17),
    ("born later in the year", date(2008, 12, 1), "unmet", 17),
    ("an adult", date(1970, 5, 1), "met", 56),
)


@pytest.mark.parametrize(("born", "status", "age"), BIRTHS)
def test_age_on_the_day_of_the_referral(born, status, age):
    assert GOOD.day == date(2026, 9, 10)
    item = judged("adult", referral=referred(birth_date=born))
    assert (item.status, item.observed[0].value) == (status, age)
    assert bool(item.needs) == (status == "unmet")


def test_an_unknown_date_of_birth_is_missing():
    assert judged("adult", referral=referred(birth_date=None)).missing == "the date of birth"


def test_missing_unmet_and_attention_stand_in_one_answer():
    facts = replace(
        COMPLETE,
        referral=referred(birth_date=None, prescriber_is_physician=False),
        assessments=(replace(EXAMINED, mobile_teeth=True),),
        sleep_tests=(replace(TESTED, recording_hours=Decimal(3)),),
    )
    decision = check(facts)
    assert decision.outcome == "referral-incomplete"
    assert decision.sentence == (
        "The referral is not complete; missing the date of birth; not as asked: prescription by a physician and baseline "
        "test long enough. For attention, which blocks nothing: mobile teeth."
    )


def test_attention_alone_leaves_the_referral_complete():
    decision = check(replace(COMPLETE, assessments=(replace(EXAMINED, protrusive_range_mm=Decimal("5.9")),)))
    assert (decision.outcome, decision.whose_move) == ("referral-needs-attention", Party.DENTIST)
    assert decision.sentence == "The referral is complete. For attention, which blocks nothing: protrusive range."


def test_a_caution_that_is_not_told_does_not_block():
    assert check(replace(COMPLETE, assessments=())).outcome == "referral-complete"


KNOWN = rows(
    ("an AHI", replace(TESTED, index_name=IndexName.AHI), "met"),
    ("an REI", TESTED, "met"),
    ("an RDI", replace(TESTED, index_name=IndexName.RDI), "met"),
    ("without an index", replace(TESTED, index_per_hour=None), "unknown"),
    ("an index without a name", replace(TESTED, index_name=None), "unknown"),
    ("an efficacy test", efficacy(3), "unknown"),
    ("a report that contradicts itself", replace(TESTED, event_count=400), "unknown"),
    ("a report with a question", replace(TESTED, event_count=200), "met"),
)


@pytest.mark.parametrize(("test", "status"), KNOWN)
def test_which_test_is_a_baseline(test, status):
    assert judged("baseline-known", sleep_tests=(test,)).status == status


def test_a_test_after_the_delivery_is_no_baseline():
    late = replace(TESTED, day=ago(5))
    assert judged("baseline-known", sleep_tests=(late,), appliances=(appliance(31),)).status == "unknown"


# A report that contradicts itself, or raises a question, needs attention and blocks nothing by itself.
AGREES = rows(
    ("no count to check", TESTED, "met", ""),
    ("a count that fits", replace(TESTED, event_count=168), "met", ""),
    ("a contradiction", replace(TESTED, event_count=400), "attention", "contradicts itself"),
    ("a question", replace(TESTED, event_count=200), "attention", "which is right?"),
    ("positions that do not add up", replace(TESTED, supine_per_hour=Decimal(20)), "attention", "does not make"),
)


@pytest.mark.parametrize(("test", "status", "says"), AGREES)
def test_whether_the_baseline_report_agrees_with_itself(test, status, says):
    item = judged("baseline-agrees", sleep_tests=(test,))
    assert item.status == status and says in item.sentence
    assert bool(item.needs) is (status == "attention")


def test_the_parts_of_a_missing_document_are_not_asked_for_one_by_one():
    nothing = check_referral(CaseFacts(), DEFAULTS, AS_OF)
    assert nothing.sentence == (
        "The referral is not complete; missing the referral; and a baseline test with an AHI, REI or RDI."
    )
    untested = check_referral(CaseFacts(referral=referral()), DEFAULTS, AS_OF).sentence
    assert untested == (
        "The referral is not complete; missing the physician who prescribes; the physician's diagnosis; a baseline test "
        "with an AHI, REI or RDI; and the date of birth."
    )
    unnamed = check_referral(CaseFacts(sleep_tests=(baseline(),)), DEFAULTS, AS_OF).sentence
    assert unnamed == "The referral is not complete; missing the referral."
    # Every single thing is still listed for systems.
    assert len(nothing.missing) == 9
