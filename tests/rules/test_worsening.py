"""Sleepiness that gets worse: what is asked, what is a red flag, who drives, and reporters that differ."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.course import course_on
from service.rules.facts import RedFlagClosure, Visit
from service.rules.kinds import Driving, Office, RedFlagKind
from service.rules.questions import questions_of
from service.rules.source import Moment
from service.rules.worsening import answered_on, asked_about, disagreement

from .build import AS_OF, DEFAULTS, ago, case, check_in, good_check_in, order, rows, setting, source, step


def told(before, *totals, driving=None, every=7, last=1):
    """Epworth totals since the delivery, the last one yesterday; `before` is that before treatment."""
    start = () if before is None else (check_in(70, epworth_total=before),)
    days = [last + every * n for n in range(len(totals))][::-1]
    reports = [check_in(d, epworth_total=t) for d, t in zip(days, totals, strict=True)]
    drives = () if driving is None else (check_in(59, "drives", driving=driving),)
    return case(check_ins=(*start, *drives, *reports))


def flag_of(facts, as_of=AS_OF):
    found = [f for f in course_on(facts, as_of, DEFAULTS).flags if f.kind is RedFlagKind.WORSE_SLEEPINESS]
    return found[0] if found else None


def asked(facts, as_of=AS_OF):
    course = course_on(facts, as_of, DEFAULTS)
    return asked_about(course.totals, answered_on(course.known), as_of, DEFAULTS)


# A red flag: above 10 and 3 above the reference; 16 and not below it; twice above 10 and 3 above the usual (policy).
FLAGS = rows(
    ("worked example, baseline 9: 7, 4, 7", 9, (7, 4, 7), None),
    ("worked example, baseline 18: 17", 18, (17,), None),
    ("worked example, baseline 13: 19", 13, (19,), "worsened.risen"),
    ("11, 3 above", 8, (11,), "worsened.risen"),
    ("10, 3 above: not above 10", 7, (10,), None),
    ("11, 2 above", 9, (11,), None),
    ("16 and as before", 16, (16,), "worsened.very-sleepy"),
    ("16, 1 below", 17, (16,), None),
    ("15 and as before", 15, (15,), None),
    ("no baseline: the first total is the reference", None, (9, 12), "worsened.risen"),
    ("no baseline, 2 above the first", None, (9, 11), None),
    ("no baseline and 16 at the first", None, (16,), "worsened.very-sleepy"),
    ("twice 11, 3 above the median of two earlier", 12, (8, 8, 11, 11), "worsened.twice"),
    ("twice, but one only 2 above", 12, (8, 8, 11, 10), None),
    ("twice, 2 above the median", 12, (9, 9, 11, 11), None),
    ("once is once", 12, (8, 8, 8, 11), None),
    ("only one earlier total", 12, (8, 11, 11), None),
    ("the median of 4, 9 is 6.5: 11 and 11 are 4.5 above", 12, (4, 9, 11, 11), "worsened.twice"),
    ("a single bad week among good ones shifts no median", 12, (8, 13, 8, 11, 11), "worsened.twice"),
)


@pytest.mark.parametrize(("before", "totals", "why"), FLAGS)
def test_when_a_total_is_a_red_flag(before, totals, why):
    flag = flag_of(told(before, *totals))
    assert (flag.sentence.id if flag else None) == why
    assert flag is None or (flag.days, flag.derived) == (2, True)


def test_the_flag_stays_until_the_physician_closes_it_though_the_next_total_is_better():
    facts = told(8, 13, 8)
    flag = flag_of(facts)
    assert flag and (flag.since.day, flag.due) == (ago(8), ago(6))  # Tuesday to Thursday
    name = source("closed")
    closed = RedFlagClosure(
        name, Moment(ago(2)), RedFlagKind.WORSE_SLEEPINESS, Office.PHYSICIAN, "Dr B", "slept too little, seen"
    )
    assert flag_of(replace(facts, red_flag_closures=(closed,))) is None
    again = replace(told(8, 13, 13), red_flag_closures=(closed,))
    assert flag_of(again).since.day == ago(1)


# 16 and more the same day for those who drive for work, heavy or passenger vehicles, also below the reference.
DRIVERS = rows(
    ("worked example: drives for work", 13, 19, Driving.FOR_WORK, 0),
    ("heavy or passenger vehicle", 13, 19, Driving.HEAVY, 0),
    ("a car", 13, 19, Driving.CAR, 2),
    ("does not drive", 13, 19, Driving.NO, 2),
    ("16 for work, below the reference", 18, 16, Driving.FOR_WORK, 0),
    ("16 in a car, below the reference", 18, 16, Driving.CAR, None),
    ("15 for work, 3 above: within two working days", 12, 15, Driving.FOR_WORK, 2),
)


@pytest.mark.parametrize(("before", "total", "driving", "days"), DRIVERS)
def test_who_drives_for_work_is_seen_the_same_day(before, total, driving, days):
    flag = flag_of(told(before, total, driving=driving))
    assert (flag.days if flag else None) == days


DRIVING_ASKED = rows(
    ("16, below the reference, nothing told of driving", 18, 16, None, True),
    ("15", 18, 15, None, False),
    ("16, told", 18, 16, Driving.CAR, False),
)


@pytest.mark.parametrize(("before", "total", "driving", "is_asked"), DRIVING_ASKED)
def test_a_very_sleepy_patient_is_asked_what_is_driven(before, total, driving, is_asked):
    course = course_on(told(before, total, driving=driving), AS_OF, DEFAULTS)
    ids = {q.sentence.id for q in questions_of(course, DEFAULTS)}
    assert ("worsened.ask-driving" in ids) is is_asked


# Asked: 2 above the reference and above 8, until the next total or an office's answer, 14 days at most.
ASKED = rows(
    ("9, 2 above", 7, 9, True),
    ("9, 1 above", 8, 9, False),
    ("8, 3 above: not above 8", 5, 8, False),
    ("10, 2 above", 8, 10, True),
)


@pytest.mark.parametrize(("before", "total", "is_asked"), ASKED)
def test_a_rise_is_asked_about_and_no_step_taken(before, total, is_asked):
    loud = good_check_in(1, name="loud", snoring="7")
    facts = told(before, total, last=3)
    facts = replace(facts, settings=(setting(30, "0"), setting(20, "1")), check_ins=(*facts.check_ins, loud))
    assert (asked(facts) is not None) is is_asked
    assert step(facts).outcome == ("hold" if is_asked else "advance")


ENDS = rows(
    ("13 days after", (), 13, True),
    ("14 days after: at most", (), 14, False),
    ("a visit to either office on the day", (Visit(source("v"), ago(5), Office.DENTIST),), 5, False),
    ("a visit the day before it was told", (Visit(source("v"), ago(6), Office.DENTIST),), 5, True),
)


@pytest.mark.parametrize(("visits", "days_ago", "holds"), ENDS)
def test_a_question_holds_until_it_is_answered(visits, days_ago, holds):
    facts = replace(told(7, 9, last=days_ago), visits=visits)
    assert (asked(facts) is not None) is holds


def test_the_next_total_answers_and_so_does_an_order():
    assert asked(told(7, 9, 8)) is None
    assert asked(replace(told(7, 9), test_orders=(order(1),))) is None


def by_partner(check):
    return replace(check, reported_by="bed-partner", source=source(f"partner-{check.moment.day}"))


# The difference is said and asked about; of snoring and pauses the bed partner simply counts.
REPORTERS = rows(
    ("Epworth 2 apart", {"epworth_total": 8}, {"epworth_total": 10}, "reporters.differ"),
    ("Epworth 1 apart", {"epworth_total": 8}, {"epworth_total": 9}, None),
    ("restedness 2 apart", {"restedness": "8"}, {"restedness": "6"}, "reporters.differ"),
    ("restedness 1.9 apart", {"restedness": "8"}, {"restedness": "6.1"}, None),
    ("snoring far apart: the sleeper cannot hear", {"snoring": "0"}, {"snoring": "9"}, None),
    ("pauses told otherwise", {"witnessed_pauses": False}, {"witnessed_pauses": True}, None),
)


@pytest.mark.parametrize(("own", "partners", "why"), REPORTERS)
def test_two_reporters_of_one_day(own, partners, why):
    reports = (check_in(3, **own), by_partner(check_in(3, **partners)))
    for given in (reports, reports[::-1]):
        found = disagreement(course_on(case(check_ins=given), AS_OF, DEFAULTS).check_ins, None, AS_OF, DEFAULTS)
        assert (found.sentence.id if found else None) == why
    if why:
        assert (
            found.sentence.values["value"] != found.sentence.values["other_value"] and "bed partner" in found.sentence
        )
        assert found.sentence.startswith("The ") and found.day == ago(3)


def test_a_disagreement_ends_with_the_next_check_in_and_after_14_days():
    reports = (check_in(5, epworth_total=8), by_partner(check_in(5, epworth_total=12)))

    def found(*more, as_of=AS_OF, answered=None):
        course = course_on(case(check_ins=(*reports, *more)), as_of, DEFAULTS)
        return disagreement(course.check_ins, answered, as_of, DEFAULTS)

    assert found() is not None
    assert found(check_in(1, epworth_total=8)) is None
    assert found(as_of=ago(-8)) is not None and found(as_of=ago(-9)) is None
    assert found(answered=ago(5)) is None and found(answered=ago(6)) is not None


def test_one_reporter_who_contradicts_himself_on_one_day_is_asked():
    twice = (check_in(3, clock="08:00:00", snoring="2"), check_in(3, "b", clock="20:00:00", snoring="7"))
    facts = case(
        settings=(setting(40, "0"), setting(20, "1")), check_ins=(*twice, good_check_in(4, name="worn", snoring=None))
    )
    course = course_on(facts, AS_OF, DEFAULTS)
    assert disagreement(course.check_ins, None, AS_OF, DEFAULTS).sentence.startswith(
        "The patient gave different answers"
    )
    assert step(facts).outcome == "hold" and step(facts).whose_move == "dentist"
