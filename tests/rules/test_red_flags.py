"""Red flags: reported or derived, due within working days, closed only by the office they are for."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from service.rules.arrival import why_closure_refused
from service.rules.course import course_on
from service.rules.facts import RedFlag, RedFlagClosure
from service.rules.kinds import Office, RedFlagKind
from service.rules.red_flags import add_working_days, office_of
from service.rules.source import Moment

from .build import AS_OF, DEFAULTS, ago, baseline, case, check_in, dec, efficacy, readiness, red_flag, rows, source

KIND = RedFlagKind
DENTIST, PHYSICIAN = Office.DENTIST, Office.PHYSICIAN


def closure(days_ago, kind, office, clock=""):
    name = source(f"closure-{kind}-{office}-{days_ago}{clock}")
    return RedFlagClosure(name, Moment(ago(days_ago), clock), kind, office, "Dr A", "seen and repaired")


def flags(as_of=AS_OF, **changes):
    return {f.kind: f for f in course_on(case(**changes), as_of, DEFAULTS).flags}


OFFICES = rows(
    ("a locked jaw", KIND.LOCKED_JAW, DENTIST, 0),
    ("a loose tooth", KIND.LOOSE_TOOTH, DENTIST, 0),
    ("a broken appliance", KIND.BROKEN_APPLIANCE, DENTIST, 0),
    ("drowsy driving or a near miss: everybody the same day", KIND.DROWSY_DRIVING, PHYSICIAN, 0),
    ("worse sleepiness", KIND.WORSE_SLEEPINESS, PHYSICIAN, 2),
    ("worse oximetry", KIND.WORSE_OXIMETRY, PHYSICIAN, 2),
)


@pytest.mark.parametrize(("kind", "office", "days"), OFFICES)
def test_whose_a_flag_is_and_by_when(kind, office, days):
    flag = flags(red_flags=(red_flag(kind, 0),))[kind]
    assert (flag.office, flag.days, flag.derived, flag.since.day) == (office, days, False, AS_OF)
    assert office_of(kind) is office


# 2026-09-28 is a Monday. Holidays are the site's to know.
WORKING_DAYS = rows(
    ("none: the day itself, also a Sunday", date(2026, 9, 27), 0, date(2026, 9, 27)),
    ("Monday and two", date(2026, 9, 28), 2, date(2026, 9, 30)),
    ("Thursday and two: over the weekend", date(2026, 10, 1), 2, date(2026, 10, 5)),
    ("Friday and two", date(2026, 10, 2), 2, date(2026, 10, 6)),
    ("Saturday and two", date(2026, 10, 3), 2, date(2026, 10, 6)),
    ("Sunday and one", date(2026, 10, 4), 1, date(2026, 10, 5)),
    ("Friday and five: a whole week", date(2026, 10, 2), 5, date(2026, 10, 9)),
)


@pytest.mark.parametrize(("start", "days", "last"), WORKING_DAYS)
def test_working_days(start, days, last):
    assert add_working_days(start, days) == last


CLOSED = rows(
    ("by the office it is for", KIND.LOCKED_JAW, DENTIST, 1, "", False),
    ("by the other office: it stays open", KIND.LOCKED_JAW, PHYSICIAN, 1, "", True),
    ("drowsy driving by the dental office: it stays open", KIND.DROWSY_DRIVING, DENTIST, 1, "", True),
    ("drowsy driving by the physician", KIND.DROWSY_DRIVING, PHYSICIAN, 1, "", False),
    ("closed tomorrow: open today", KIND.LOCKED_JAW, DENTIST, -1, "", True),
    ("closed the day before the report: the report is newer", KIND.LOCKED_JAW, DENTIST, 6, "", True),
    (
        "closed on the day of the report, no hour told: the report may be the later",
        KIND.LOCKED_JAW,
        DENTIST,
        5,
        "",
        True,
    ),
    ("closed on the day of the report, an hour after it", KIND.LOCKED_JAW, DENTIST, 5, "10:00:00", False),
    ("closed at the hour of the report", KIND.LOCKED_JAW, DENTIST, 5, "09:00:00", False),
    ("closed on the day of the report, an hour before it", KIND.LOCKED_JAW, DENTIST, 5, "08:00:00", True),
)


@pytest.mark.parametrize(("kind", "office", "days_ago", "clock", "is_open"), CLOSED)
def test_what_closes_a_flag(kind, office, days_ago, clock, is_open):
    reported = replace(red_flag(kind, 5), moment=Moment(ago(5), "09:00:00"))
    held = {"red_flags": (reported,), "red_flag_closures": (closure(days_ago, kind, office, clock),)}
    assert (kind in flags(**held)) is is_open


# A closure that tells a day alone answers only what tells no time of that day.
UNTIMED = rows(
    ("closed on the day of the report, neither tells an hour", 5, "", False),
    ("closed the day after", 4, "", False),
    ("closed the day before", 6, "", True),
    ("closed late on the day before", 6, "23:59:59", True),
)


@pytest.mark.parametrize(("days_ago", "clock", "is_open"), UNTIMED)
def test_what_closes_a_flag_whose_report_tells_no_hour(days_ago, clock, is_open):
    reported = replace(red_flag(KIND.LOCKED_JAW, 5), moment=Moment(ago(5)))
    held = {"red_flags": (reported,), "red_flag_closures": (closure(days_ago, KIND.LOCKED_JAW, DENTIST, clock),)}
    assert (KIND.LOCKED_JAW in flags(**held)) is is_open


def test_a_closure_answers_all_facts_up_to_its_moment_whenever_they_come_in():
    """A late report of an earlier day raises nothing; only a newer fact does."""
    closed = closure(3, KIND.LOOSE_TOOTH, DENTIST)
    late = (red_flag(KIND.LOOSE_TOOTH, 9), red_flag(KIND.LOOSE_TOOTH, 4))
    assert flags(red_flags=late, red_flag_closures=(closed,)) == {}
    again = flags(red_flags=(*late, red_flag(KIND.LOOSE_TOOTH, 2)), red_flag_closures=(closed,))[KIND.LOOSE_TOOTH]
    assert again.since.day == ago(2) and len(again.sources) == 1
    assert KIND.LOOSE_TOOTH in flags(ago(4), red_flags=late, red_flag_closures=(closed,))


RECORDS = rows(
    ("a record that resolves itself, by the dental office", KIND.LOOSE_TOOTH, DENTIST, False),
    ("the physician's kind told as resolved by the dental office", KIND.DROWSY_DRIVING, DENTIST, True),
    ("by the physician", KIND.DROWSY_DRIVING, PHYSICIAN, False),
)


@pytest.mark.parametrize(("kind", "office", "is_open"), RECORDS)
def test_a_record_that_tells_its_own_end(kind, office, is_open):
    flag = RedFlag(source("f"), Moment(ago(5)), kind, ago(2), office, "Dr A", "seen")
    assert (kind in flags(red_flags=(flag,))) is is_open
    refused = why_closure_refused(flag)
    assert (refused is not None) is is_open


def test_a_closure_by_the_wrong_office_is_refused_with_the_right_one_named():
    refused = why_closure_refused(closure(1, KIND.DROWSY_DRIVING, DENTIST))
    assert refused is not None and "the physician's office" in refused
    refused = why_closure_refused(closure(1, KIND.LOCKED_JAW, PHYSICIAN))
    assert refused is not None and "the dental office" in refused
    assert why_closure_refused(closure(1, KIND.LOCKED_JAW, DENTIST)) is None
    assert why_closure_refused(red_flag(KIND.DROWSY_DRIVING, 1)) is None


# Time under 90 % saturation against a baseline that compares: 5 points and 1.5-fold; above 25 % the same day.
OXIMETRY = rows(
    ("5 points and 1.5-fold", "10", "15", 2),
    ("4.9 points", "9", "13.9", None),
    ("5 points, 1.49-fold", "10.2", "15.2", None),
    ("from none: 5 points", "0", "5", 2),
    ("from none: 4.9", "0", "4.9", None),
    ("25 % is not above 25", "4.2", "25", 2),
    ("worked example: 4.2 to 30 %, 25.8 points and 7.1-fold, the same day", "4.2", "30", 0),
    ("fallen", "30", "12", None),
    ("untold before", None, "30", None),
)


@pytest.mark.parametrize(("before", "after", "days"), OXIMETRY)
def test_worse_oximetry_is_derived(before, after, days):
    tests = (baseline(t90_percent=dec(before)), efficacy(3, t90_percent=dec(after)))
    flag = flags(sleep_tests=tests).get(KIND.WORSE_OXIMETRY)
    assert (flag.days if flag else None) == days
    assert flag is None or (flag.derived and flag.since.day == ago(3))


def test_a_derived_flag_is_closed_like_a_reported_one_and_ends_when_its_fact_is_withdrawn():
    tests = (baseline(t90_percent=dec("4.2")), efficacy(3, t90_percent=dec("20")))
    assert KIND.WORSE_OXIMETRY in flags(sleep_tests=tests)
    for office, days_ago, is_open in ((PHYSICIAN, 2, False), (PHYSICIAN, 4, True), (DENTIST, 2, True)):
        closed = closure(days_ago, KIND.WORSE_OXIMETRY, office)
        assert (KIND.WORSE_OXIMETRY in flags(sleep_tests=tests, red_flag_closures=(closed,))) is is_open
    assert KIND.WORSE_OXIMETRY not in flags(sleep_tests=tests[:1])
    closed = closure(2, KIND.WORSE_OXIMETRY, PHYSICIAN)
    newer = (*tests, efficacy(1, "7", t90_percent=dec("21")))
    assert KIND.WORSE_OXIMETRY in flags(sleep_tests=newer, red_flag_closures=(closed,))


def test_withheld_or_not_a_test_tells_of_worse_oxygen():
    tests = (baseline(t90_percent=dec("4.2")), efficacy(3, hours="2.5", t90_percent=dec("20")))
    assert KIND.WORSE_OXIMETRY in flags(sleep_tests=tests)


def test_of_several_facts_of_one_kind_the_soonest_day_counts_and_all_are_named():
    held = (check_in(70, epworth_total=8), check_in(5, epworth_total=13))
    both = flags(check_ins=held, red_flags=(red_flag(KIND.WORSE_SLEEPINESS, 2),))[KIND.WORSE_SLEEPINESS]
    assert (both.since.day, both.derived) == (ago(5), False)
    names = {s.reference for s in both.sources}
    assert {"Observation/check-in-5", "Observation/worse-sleepiness-2-None"} <= names


def test_a_flag_for_both_offices_names_both_each_with_its_act():
    decision = readiness(case(red_flags=(red_flag(KIND.LOCKED_JAW, 0), red_flag(KIND.DROWSY_DRIVING, 0))))
    acts = {c.name: c.needs for c in decision.criteria if c.name.startswith("red-flag")}
    assert acts == {
        "red-flag-locked-jaw": "the dentist closes it with what was done",
        "red-flag-drowsy-driving": "the physician closes it with what was done",
    }
    assert "For the dentist, today." in decision.criterion("red-flag-locked-jaw").sentence
    assert decision.until == AS_OF
