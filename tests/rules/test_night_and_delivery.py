"""A test is one of the appliance only after a delivery, and a baseline is one only before it.

The night of a test is its evening's date: that of the day of delivery is one with the appliance.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.case_view import view_case
from service.rules.course import course_on
from service.rules.decision import Party, Readiness, ResponseClass
from service.rules.judging.finding import Cause
from service.rules.judging.validity import OfficeRecord
from service.rules.kinds import IndexName, OwnReading, PhysicianChoice, TestPurpose
from service.rules.questions import questions_of
from service.rules.site import Site
from service.rules.sleep_test import ScoredIndex
from service.rules.stage import StageName

from .build import AS_OF, DEFAULTS, READY, ago, appliance, baseline, case, choice, criterion, efficacy, readiness, rows
from .judged import laboratory, laboratory_before, of

# A test of day 10 before today, by the day of the first delivery.
NIGHTS = rows(
    ("delivered a day before the night", 11, None),
    ("delivered on the day of the night", 10, None),
    ("delivered a day after the night: a test of no appliance", 9, "before-delivery"),
    ("nothing delivered on record: a test of no appliance", None, "no-delivery"),
)


@pytest.mark.parametrize(("delivered", "why"), NIGHTS)
def test_a_night_before_any_delivery_is_no_test_of_the_appliance(delivered, why):
    recorded = OfficeRecord((Decimal(2), Decimal(2)), None if delivered is None else ago(delivered))
    judged = of(laboratory("4"), recorded=recorded)
    assert judged.before_delivery is (why is not None)
    assert judged.counts_as_tested is (why is None)
    if why is None:
        assert judged.response_class is ResponseClass.COMPLETE
        return
    assert (judged.response_class, judged.causes) == (ResponseClass.WITHHELD, (Cause.INVALID,))
    assert [f.name for f in judged.withheld] == [why]


def test_what_such_a_test_hides_is_judged_all_the_same():
    recorded = OfficeRecord(None, ago(5))
    judged = of(laboratory("30", t90_percent="12"), laboratory_before("20"), recorded=recorded)
    assert [a.name for a in judged.alarms] == ["oxygen-not-controlled", "worse-on-treatment"]


BEFORE = case(appliances=(appliance(60),), sleep_tests=(baseline(120), efficacy(61, "4")))


def test_titration_goes_on_and_the_days_are_asked():
    """Neither a result that waits nor a proof: the laboratory and the dental office say which day is right."""
    view = view_case(BEFORE, Site(), AS_OF)
    assert view.readiness.outcome == Readiness.READY
    assert view.response and view.response.response_class is ResponseClass.WITHHELD
    assert [s.act for s in view.response.suggestions][:2] == ["check-days", "repeat-test"]
    assert (Party.SLEEP_LAB, "judged.before-delivery") in [(q.party, q.sentence.id) for q in view.questions]


def test_without_any_delivery_the_dental_office_is_asked_for_it():
    view = view_case(replace(BEFORE, appliances=(), settings=(), check_ins=()), Site(), AS_OF)
    assert (view.stage.name, view.stage.whose_move) == (StageName.ACCEPTED, Party.DENTIST)
    assert view.response and [s.act for s in view.response.suggestions] == ["check-days"]
    assert (Party.DENTIST, "judged.no-delivery") in [(q.party, q.sentence.id) for q in view.questions]


def test_to_continue_on_such_a_test_ends_no_titration():
    decided = replace(choice(30, PhysicianChoice.CONTINUE), own_reading=OwnReading.COMPLETE)
    assert readiness(replace(BEFORE, physician_decisions=(decided,))).outcome == Readiness.READY
    later = replace(BEFORE, sleep_tests=(baseline(120), efficacy(40, "4")), physician_decisions=(decided,))
    assert readiness(later).outcome == Readiness.DECIDED


# The appliance was delivered 60 days ago.
BASELINES = rows(
    ("a day before the delivery", (61,), "met", 61),
    ("on the day of the delivery, as the office received it that day", (60,), "met", 60),
    ("a day after the delivery: none", (59,), "unknown", None),
    ("one before and one after: the one before", (61, 59), "met", 61),
)


@pytest.mark.parametrize(("days", "status", "counts"), BASELINES)
def test_a_baseline_is_made_before_the_delivery(days, status, counts):
    facts = case(sleep_tests=tuple(baseline(d) for d in days))
    found, course = criterion(facts, "baseline-known"), course_on(facts, AS_OF, DEFAULTS)
    assert found.status == status
    assert (course.baseline and course.baseline.day) == (None if counts is None else ago(counts))
    if counts is None:
        assert found.sentence.id == "ready.baseline-after-delivery" and found.missing
        assert readiness(facts).outcome == Readiness.CANNOT_SAY


def test_a_test_is_not_judged_against_a_baseline_made_with_the_appliance_delivered():
    facts = case(sleep_tests=(baseline(50), efficacy(10, "4")))
    (judged,) = course_on(facts, AS_OF, DEFAULTS).judged
    assert (judged.baseline, judged.causes) == (None, (Cause.BASELINE,))
    assert [f.name for f in judged.withheld] == ["baseline-after-delivery"]


def test_each_appliance_is_judged_against_the_baseline_before_its_own_delivery():
    tests = (baseline(120, "24"), efficacy(50, "4"), baseline(40, "30"), efficacy(10, "5"))
    facts = case(appliances=(appliance(60), appliance(30)), sleep_tests=tests)
    first, second = course_on(facts, AS_OF, DEFAULTS).judged
    assert first.baseline and first.baseline.day == ago(120)
    assert second.baseline and second.baseline.day == ago(40)


REI = IndexName.REI
TWICE = rows(
    ("one index", (baseline(120, "24"),), 0),
    ("two reports of one night that agree", (baseline(120, "24"), baseline(120, "24.0")), 0),
    ("two reports of one night that differ by 0.1", (baseline(120, "24"), baseline(120, "24.1")), 1),
    ("two nights that differ", (baseline(121, "24"), baseline(120, "30")), 0),
    (
        "one report that tells an index twice",
        (replace(baseline(120, "24"), further_indices=(ScoredIndex(REI, baseline().hypopnoea_rule, Decimal(30)),)),),
        1,
    ),
    ("another name", (baseline(120, "24"), baseline(120, "30", index_name=IndexName.RDI)), 0),
    (
        "of one night as a baseline and with the appliance: the same question",
        (baseline(120, "24"), replace(baseline(120, "30"), purpose=TestPurpose.EFFICACY)),
        1,
    ),
)


@pytest.mark.parametrize(("tests", "asked"), TWICE)
def test_an_index_told_twice_for_one_night_is_asked_of_the_laboratory(tests, asked):
    course = course_on(replace(READY, sleep_tests=tests), AS_OF, DEFAULTS)
    found = [q for q in questions_of(course, DEFAULTS) if q.sentence.id == "judged.told-twice"]
    assert len(found) == asked and all(q.party is Party.SLEEP_LAB for q in found)
