"""Adherence by both definitions at their boundaries, and wear that falls."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.adherence import adherence, wear_falling
from service.rules.alleviation import alleviation
from service.rules.course import course_on
from service.rules.facts import CaseFacts
from service.rules.follow_up import follow_up
from service.rules.kinds import Worn
from service.rules.words import day

from .build import AS_OF, DEFAULTS, appliance, case, check_in, dec, efficacy, good_check_in, rows


def report(days_ago, worn, of, hours="7", slept="8", **more):
    told = {"nights_worn": worn, "nights_reported": of, "hours_per_night": hours}
    return check_in(days_ago, **told, hours_slept_per_night=dec(slept), **more)


def course(*reports, delivered=200):
    facts = CaseFacts(appliances=(appliance(delivered),) if delivered else (), check_ins=reports)
    return course_on(facts, AS_OF, DEFAULTS)


def judged(*reports, **more):
    return adherence(course(*reports, **more), DEFAULTS)


# At least 4 hours on at least 70 % of nights: Dieltjens 2013, doi 10.1378/chest.13-0613.
BY_HOURS = rows(
    ("7 of 10 nights at 4 h", (report(1, 7, 10, "4"),), "met", 7, 10),
    ("9 of 13 nights", (report(1, 9, 13, "7"),), "unmet", 9, 13),
    ("every night, 3.9 h", (report(1, 10, 10, "3.9"),), "unmet", 0, 10),
    ("a good week and a short one", (report(8, 7, 7, "7"), report(1, 7, 7, "3")), "unmet", 7, 14),
    ("a good week and three nights off", (report(8, 7, 7), report(1, 0, 3, None)), "met", 7, 10),
    ("7 nights told", (report(1, 7, 7),), "met", 7, 7),
    ("6 nights told", (report(1, 6, 6),), "unknown", None, 6),
    ("hours not told", (report(1, 7, 7, None),), "unknown", None, 0),
    ("a night 28 days back is recent", (report(21, 7, 7),), "met", 7, 7),
    ("one of 29 days back is not", (report(22, 7, 7),), "unknown", None, 6),
    ("overlapping reports count each night once, the lower", (report(4, 7, 7), report(1, 0, 7, None)), "unmet", 3, 10),
    ("nights without how many were worn", (check_in(1, nights_reported=9),), "unknown", None, 0),
    ("never worn", (report(1, 0, 9, None),), "unmet", 0, 9),
)


@pytest.mark.parametrize(("reports", "status", "adherent", "nights"), BY_HOURS)
def test_by_hours(reports, status, adherent, nights):
    item, _ = judged(*reports)
    assert item.status == status
    if adherent is not None:
        assert [m.value for m in item.observed] == [adherent, nights]
        assert item.sentence.id == "adherence.hours"
        assert f"on {adherent} of {nights} nights" in item.sentence
        assert item.sentence.endswith("lately, told by people, give or take half an hour a night.")
    else:
        assert item.sentence == (f"Hours worn are told for {nights} of the last 28 nights; adherence is judged from 7.")
    assert bool(item.missing) == (status == "unknown")


# At least 80 % of sleep on at least 5 nights a week: Radmand 2021, doi 10.15331/jdsm.7204.
BY_SHARE = rows(
    ("5 of 7 nights at exactly 80 %", (report(1, 5, 7, "6.4"),), "met"),
    ("5 of 7 nights just under 80 %", (report(1, 5, 7, "6.39"),), "unmet"),
    ("4 of 7 nights", (report(1, 4, 7, "8"),), "unmet"),
    ("10 of 14 nights is 5 a week", (report(1, 10, 14, "8"),), "met"),
    ("9 of 14 nights", (report(1, 9, 14, "8"),), "unmet"),
    ("hours slept not told", (report(1, 7, 7, "8", None),), "unknown"),
    ("hours worn not told", (report(1, 7, 7, None, "8"),), "unknown"),
    ("6 nights", (report(1, 6, 6, "8"),), "unknown"),
    ("7 nights", (report(1, 7, 7, "8"),), "met"),
    ("never worn", (report(1, 0, 9, None),), "unmet"),
    ("nights of two check-ins add up", (report(9, 3, 3, "8"), report(1, 4, 4, "8")), "met"),
)


@pytest.mark.parametrize(("reports", "status"), BY_SHARE)
def test_by_share_of_sleep(reports, status):
    _, item = judged(*reports)
    assert item.status == status
    assert bool(item.missing) == (status == "unknown")
    assert item.name == "adherent-by-share-of-sleep"
    if status != "unknown":
        assert "told by people, give or take half an hour a night" in item.sentence and item.observed


def test_the_two_definitions_may_disagree():
    by_hours, by_share = judged(report(1, 7, 7, "4.5"))
    assert (by_hours.status, by_share.status) == ("met", "unmet")


def test_reports_of_more_nights_than_since_the_delivery_do_not_count():
    assert judged(report(5, 7, 7), delivered=5)[0].status == "unknown"
    assert judged(report(5, 7, 7), delivered=11)[0].status == "unknown"
    assert judged(report(5, 7, 7), delivered=12)[0].status == "met"
    assert judged(report(5, 7, 7), delivered=None)[0].status == "unknown"


def test_nights_of_both_check_ins_count_and_both_are_named():
    item = judged(report(8, 7, 7), report(1, 7, 7))[0]
    assert "Worn at least 4 hours on 14 of 14 nights (100 %) lately" in item.sentence
    assert [s.reference for s in item.inputs] == ["Observation/check-in-1", "Observation/check-in-8"]


# A fall by 20 points of a share between earlier and recent check-ins: policy of this project.
FALLING = rows(
    ("from 10 of 10 to 8 of 10", (report(40, 10, 10), report(1, 8, 10)), "attention"),
    ("from 10 of 10 to 9 of 10", (report(40, 10, 10), report(1, 9, 10)), "met"),
    ("from 100 to 81 %", (report(40, 10, 10), report(1, 13, 16)), "met"),
    ("rising", (report(40, 2, 10), report(1, 9, 10)), "met"),
    ("6 nights before", (report(40, 6, 6), report(1, 1, 10)), "unknown"),
    ("7 nights before", (report(40, 7, 7), report(1, 1, 10)), "attention"),
    ("6 nights lately", (report(40, 10, 10), report(1, 0, 6)), "unknown"),
    ("7 nights lately", (report(40, 10, 10), report(1, 0, 7)), "attention"),
    ("nothing told", (), "unknown"),
    ("nights from 29 days back are before", (report(28, 10, 10), report(18, 2, 10)), "attention"),
    ("7 nights up to 56 days back", (report(49, 10, 10), report(1, 2, 10)), "attention"),
    ("6 nights up to 56 days back", (report(50, 10, 10), report(1, 2, 10)), "unknown"),
)


@pytest.mark.parametrize(("reports", "status"), FALLING)
def test_wear_falling(reports, status):
    item = wear_falling(course(*reports), DEFAULTS)
    assert item.status == status
    assert bool(item.missing) == (status == "unknown")
    assert len(item.inputs) == len(reports)


def test_without_a_test_earlier_months_are_not_compared_with():
    """Without an efficacy test the recent reports are compared with as many days before them, not with all of the past."""
    item = wear_falling(course(report(56, 10, 10), report(1, 2, 10)), DEFAULTS)
    assert item.status == "unknown"
    assert [s.reference for s in item.inputs] == ["Observation/check-in-1"]


# Against wear up to the last efficacy test with this appliance: that is what its result stands for. Policy.
SINCE_THE_TEST = rows(
    ("fallen since a test long ago", (report(103, 10, 10), report(1, 5, 10)), {}, "attention"),
    ("steady since then, though higher before the test", (report(103, 5, 10), report(1, 5, 10)), {}, "met"),
    ("the day of the test speaks of the nights before it", (report(100, 10, 10), report(1, 5, 10)), {}, "attention"),
    ("7 nights up to 28 days before the test", (report(121, 10, 10), report(1, 5, 10)), {}, "attention"),
    ("6 nights up to 28 days before the test", (report(122, 10, 10), report(1, 5, 10)), {}, "unknown"),
    ("28 days before the test is too old", (report(128, 10, 10), report(1, 5, 10)), {}, "unknown"),
    (
        "a slow fall is seen against the test",
        (report(103, 10, 10), report(40, 7, 10), report(1, 7, 10)),
        {},
        "attention",
    ),
    ("a test three days ago: nothing since", (report(30, 10, 10), report(5, 5, 10)), {"tested": 3}, "unknown"),
    ("a test ten days ago, and a week since", (report(12, 10, 10), report(1, 5, 10)), {"tested": 10}, "attention"),
    ("reports before that test are not recent", (report(12, 5, 10), report(1, 10, 10)), {"tested": 10}, "met"),
    ("nor are those of its day", (report(10, 10, 10), report(1, 7, 10)), {"tested": 10}, "attention"),
    ("a test with an earlier appliance", (report(203, 10, 10), report(1, 5, 10)), {"tested": 201}, "unknown"),
    ("on the day of the delivery", (report(199, 10, 10), report(1, 5, 10)), {"tested": 200}, "unknown"),
    (
        "a test without the appliance is passed over for the one before",
        (report(153, 10, 10), report(1, 5, 10)),
        {"worn": False},
        "attention",
    ),
)


@pytest.mark.parametrize(("reports", "test", "status"), SINCE_THE_TEST)
def test_wear_falling_since_the_last_efficacy_test(reports, test, status):
    tested = efficacy(test.get("tested", 100), worn=Worn.ALL_NIGHT if test.get("worn", True) else Worn.NO)
    facts = CaseFacts(appliances=(appliance(200),), check_ins=reports, sleep_tests=(efficacy(150), tested))
    item = wear_falling(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)
    assert item.status == status
    if tested.appliance_worn and status != "unknown":
        assert f"in the 28 days up to the efficacy test of {day(tested.day)}." in item.sentence
        assert tested.source in item.inputs


def test_a_test_on_the_day_of_the_delivery_is_one_with_this_appliance():
    """Nothing worn comes before it, so a fall since then is not known."""
    facts = CaseFacts(
        appliances=(appliance(200),), check_ins=(report(40, 10, 10), report(1, 5, 10)), sleep_tests=(efficacy(200),)
    )
    assert wear_falling(course_on(facts, AS_OF, DEFAULTS), DEFAULTS).status == "unknown"


def test_a_fall_in_words():
    item = wear_falling(course(report(40, 10, 10), report(12, 5, 10), report(1, 4, 10)), DEFAULTS)
    assert [(m.value, m.unit) for m in item.observed] == [(Decimal("0.45"), "1"), (Decimal(1), "1")]
    assert item.sentence == "Worn on 45 % of nights lately, against 100 % in the 28 days before that."


def test_adherence_by_a_sensor_is_not_called_a_report():
    sensed = tuple(replace(good_check_in(d, hours_slept_per_night=Decimal(8)), reported_by="sensor") for d in (14, 7))
    answer = follow_up(case(check_ins=sensed), DEFAULTS, AS_OF)
    assert answer
    for name in ("adherent-by-hours", "adherent-by-share-of-sleep"):
        told = answer.decision.criterion(name).sentence
        assert told.endswith("lately, by sensor.")
    worn = alleviation(Decimal(20), Decimal(8), course(*sensed).ledger.nights)
    assert worn and worn.sentence.endswith("as means by sensor.")
