"""Planned visits at both offices: dates, what keeps them, what is overdue, and when efficacy counts as verified."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.decision import Party
from service.rules.facts import CaseFacts, Visit
from service.rules.kinds import Office, PhysicianChoice
from service.rules.threshold import Mark
from service.rules.visits import efficacy_verified_on, planned_visits

from .build import AS_OF, DEFAULTS, ago, appliance, baseline, case, choice, efficacy, rows, source

CONTINUE, RETEST = PhysicianChoice.CONTINUE, PhysicianChoice.ADVANCE_AND_RETEST


def visit(days_ago, office=Office.DENTIST):
    return Visit(source(f"visit-{days_ago}-{office}"), ago(days_ago), office)


def delivered(days_ago, *visits, **more):
    return CaseFacts(appliances=(appliance(days_ago),), visits=visits, **more)


def verified(days_ago, *visits):
    """Delivered 100 days before the physician decided to continue after a test."""
    return delivered(
        days_ago + 100,
        *visits,
        sleep_tests=(efficacy(days_ago + 5),),
        physician_decisions=(choice(days_ago, CONTINUE),),
    )


def planned(facts, thresholds=DEFAULTS, as_of=AS_OF, office=Party.DENTIST):
    return [v for v in planned_visits(course_on(facts, as_of, DEFAULTS), thresholds) if v.office is office]


def states(facts, **more):
    return [(v.due, v.state.value) for v in planned(facts, **more)]


# 30 days, and 60 to 90 days after delivery (from memory); 14 days of grace after the first (policy).
FIRST_MONTHS = rows(
    ("29 days: to come", 29, [(-1, "planned")]),
    ("30 days: due", 30, [(0, "due"), (-30, "planned")]),
    ("44 days: still due", 44, [(14, "due"), (-16, "planned")]),
    ("45 days: overdue", 45, [(15, "overdue"), (-15, "planned")]),
    ("60 days: the second is due", 60, [(30, "overdue"), (0, "due")]),
    ("90 days: still due", 90, [(60, "overdue"), (30, "due")]),
    ("91 days: both overdue", 91, [(61, "overdue"), (31, "overdue")]),
)


@pytest.mark.parametrize(("since", "expected"), FIRST_MONTHS)
def test_before_efficacy_is_verified(since, expected):
    facts = delivered(since)
    assert states(facts) == [(ago(due), state) for due, state in expected]
    assert states(facts, office=Party.PHYSICIAN) == states(facts)


# A visit counts from 14 days before its date (policy); a later one keeps an earlier date as well.
KEPT = rows(
    ("15 days early counts for nothing", (visit(65 - 15),), ["overdue", "due"]),
    ("14 days early", (visit(65 - 16),), ["kept", "due"]),
    ("one late visit keeps both", (visit(65 - 46),), ["kept", "kept"]),
    ("a day before it would keep the second", (visit(65 - 45),), ["kept", "due"]),
    ("today's visit", (visit(0),), ["kept", "kept"]),
    ("tomorrow's visit", (visit(-1),), ["overdue", "due"]),
    ("a visit to the other office", (visit(20, Office.PHYSICIAN),), ["overdue", "due"]),
)


@pytest.mark.parametrize(("visits", "expected"), KEPT)
def test_what_keeps_a_visit(visits, expected):
    assert [v.state.value for v in planned(delivered(65, *visits))] == expected


def test_a_kept_visit_names_the_first_day_that_kept_it():
    kept = planned(delivered(65, visit(10), visit(30)))[0]
    assert kept.kept_on == ago(30)
    assert kept.sentence == "The visit to the dentist due on 26 Aug 2026 was kept on 31 Aug 2026."
    assert (kept.rule.name, kept.rule.mark) == ("first_visit_days", Mark.MEMORY)
    assert kept.as_data() == {
        "office": "dentist",
        "due": "2026-08-26",
        "latest": "2026-09-09",
        "state": "kept",
        "kept_on": "2026-08-31",
        "sentence": kept.sentence,
    }


def test_the_words_of_a_visit_that_is_not_kept():
    overdue, due = planned(delivered(65))
    assert overdue.sentence.endswith("was due on 26 Aug 2026 and is overdue since 9 Sep 2026.")
    assert due.sentence.endswith("is due between 25 Sep 2026 and 25 Oct 2026.")
    assert due.as_data()["kept_on"] is None
    assert planned(delivered(5))[0].sentence == "The next visit to the dentist is due on 25 Oct 2026."
    rules = [(v.rule.name, v.rule.mark) for v in (overdue, due)]
    assert rules == [("first_visit_days", Mark.MEMORY), ("second_visit_days", Mark.MEMORY)]


# Every 6 months in the first year after efficacy is verified, then yearly (quoted).
AFTER = rows(
    ("just verified", 0, [183]),
    ("182 days: to come", 182, [183]),
    ("183 days: due, the next a year after", 183, [183, 365]),
    ("366 days", 366, [183, 365, 730]),
    ("800 days", 800, [183, 365, 730, 1095]),
)


@pytest.mark.parametrize(("since", "expected"), AFTER)
def test_after_efficacy_is_verified(since, expected):
    began = ago(since)
    found = planned(verified(since))
    assert [(v.due - began).days for v in found] == expected
    assert all((v.latest - v.due).days == 14 for v in found)
    assert found[-1].state == "planned"
    assert [v.rule.name for v in found] == ["half_yearly_days", *["yearly_days"] * (len(found) - 1)]
    assert all(v.rule.mark is Mark.QUOTED and "quoting it" in v.rule.cited for v in found)


def test_a_site_with_quarterly_visits_in_the_first_year():
    site = DEFAULTS.with_values({"half_yearly_days": Decimal(100), "visit_grace_days": Decimal(0)})
    found = planned(verified(400), thresholds=site)
    assert [(v.due - ago(400)).days for v in found] == [100, 200, 300, 365, 730]
    assert [v.rule.name for v in found] == [*["half_yearly_days"] * 3, "yearly_days", "yearly_days"]
    assert found[0].rule.set_by_site and "set by this site; default 183 d" in found[0].rule.cited
    assert found[0].latest == found[0].due


def test_a_site_with_yearly_visits_from_the_start_plans_each_once():
    site = DEFAULTS.with_values({"half_yearly_days": Decimal(365)})
    assert [(v.due - ago(400)).days for v in planned(verified(400), thresholds=site)] == [365, 730]


def test_a_second_visit_never_ends_before_it_begins():
    site = DEFAULTS.with_values({"second_visit_days": Decimal(90), "second_visit_end_days": Decimal(60)})
    last = planned(delivered(95), thresholds=site)[-1]
    assert (last.due, last.latest) == (ago(5), ago(5))


VERIFIED = rows(
    ("continue after a test", (efficacy(20),), (choice(10, CONTINUE),), 10),
    ("on the day of the test", (efficacy(10),), (choice(10, CONTINUE),), 10),
    ("the first of two", (efficacy(20),), (choice(10, CONTINUE), choice(4, CONTINUE)), 10),
    ("after another choice", (efficacy(20),), (choice(15, RETEST), choice(10, CONTINUE)), 10),
    ("then another choice", (efficacy(20),), (choice(10, CONTINUE), choice(4, RETEST)), None),
    ("without a test", (baseline(),), (choice(10, CONTINUE),), None),
    ("before the test", (efficacy(5),), (choice(10, CONTINUE),), None),
    ("a test without an index", (efficacy(20, None),), (choice(10, CONTINUE),), None),
    ("a test with an earlier appliance", (efficacy(70),), (choice(10, CONTINUE),), None),
    ("a test on the day of delivery", (efficacy(60),), (choice(10, CONTINUE),), 10),
    ("decided before this delivery", (efficacy(70),), (choice(65, CONTINUE),), None),
    ("no decision", (efficacy(20),), (), None),
)


@pytest.mark.parametrize(("tests", "decisions", "day"), VERIFIED)
def test_when_efficacy_is_verified(tests, decisions, day):
    facts = delivered(60, sleep_tests=tests, physician_decisions=decisions)
    assert efficacy_verified_on(course_on(facts, AS_OF, DEFAULTS)) == (None if day is None else ago(day))


def test_no_visits_before_a_delivery_or_after_a_stop():
    assert planned(CaseFacts()) == []
    stopped = delivered(60, physician_decisions=(choice(5, PhysicianChoice.STOP),))
    assert planned(stopped) == []
    assert planned(stopped, as_of=ago(6)) != []
    assert (
        efficacy_verified_on(course_on(CaseFacts(physician_decisions=(choice(5, CONTINUE),)), AS_OF, DEFAULTS)) is None
    )


def test_both_offices_in_order_of_date():
    facts = delivered(65, visit(30))
    found = planned_visits(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)
    assert [(v.due, v.office) for v in found] == sorted((v.due, v.office.value) for v in found)
    assert len(found) == 4
    assert isinstance(found[0].due, date) and found[0].latest - found[0].due == timedelta(days=14)


def test_efficacy_can_be_verified_from_the_day_of_the_delivery_on():
    def on(delivered, tested, decided):
        facts = case(
            appliances=(appliance(delivered),),
            sleep_tests=(efficacy(tested),),
            physician_decisions=(choice(decided, CONTINUE),),
        )
        return efficacy_verified_on(course_on(facts, AS_OF, DEFAULTS))

    assert on(40, 40, 40) == ago(40)
    assert on(40, 41, 39) is None
    assert on(39, 40, 40) is None
