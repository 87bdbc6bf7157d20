"""Boundaries of the readiness criterion about wear: nights covered, share of nights, mean hours."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.questions import questions_of

from .build import (
    AS_OF,
    DEFAULTS,
    after_delivery,
    ago,
    appliance,
    case,
    check_in,
    criterion,
    good_check_in,
    rows,
    setting,
)


def report(days_ago, reported, worn, hours="7", **more):
    return check_in(days_ago, nights_reported=reported, nights_worn=worn, hours_per_night=hours, **more)


def worn(*reports, **more):
    return criterion(after_delivery(*reports), "worn-enough", **more)


NIGHTS_COVERED = rows(
    ("no check-in", [], 0, "unknown"),
    ("6 nights", [report(7, 6, 6)], 6, "unknown"),
    ("7 nights", [report(7, 7, 7)], 7, "met"),
    ("8 nights", [report(7, 8, 8)], 8, "met"),
    ("3 and 4 nights in two check-ins", [report(14, 3, 3), report(7, 4, 4)], 7, "met"),
    ("overlapping check-ins cover a night once", [report(14, 5, 5), report(13, 5, 5)], 6, "unknown"),
    ("overlapping by less: 7 nights", [report(14, 5, 5), report(12, 5, 5)], 7, "met"),
    ("the same report twice covers 4 nights", [report(14, 4, 4), report(14, 4, 4, name="again")], 4, "unknown"),
    ("nights before the onset are not covered", [report(15, 10, 10)], 6, "unknown"),
    ("from the night of the onset on", [report(14, 10, 10)], 7, "met"),
    ("check-in of the day of the change", [report(21, 7, 7)], 0, "unknown"),
    ("nights reported but not how many were worn", [check_in(7, nights_reported=7)], 0, "unknown"),
    ("no nights reported", [report(7, 0, 0)], 0, "unknown"),
    ("hours in one of two check-ins", [report(14, 4, 4, hours=None), report(7, 4, 4)], 8, "met"),
)


@pytest.mark.parametrize(("reports", "covered", "status"), NIGHTS_COVERED)
def test_nights_covered(reports, covered, status):
    item = worn(*reports)
    assert item.status == status
    if status == "unknown":
        assert [m.value for m in item.observed] == [Decimal(covered)]
        assert item.missing


SHARE = rows(
    ("0.69: 9 of 13", [report(7, 13, 9)], "unmet"),
    ("0.65: 13 of 20", [report(7, 20, 13)], "unmet"),
    ("0.70: 7 of 10", [report(7, 10, 7)], "met"),
    ("0.71: 10 of 14", [report(7, 14, 10)], "met"),
    ("0.70 over two check-ins: 4 of 6 and 10 of 14", [report(15, 6, 4), report(1, 14, 10)], "met"),
    ("of the night that both cover the lower share counts: 0.699", [report(14, 6, 4), report(1, 14, 10)], "unmet"),
    ("a share under 0.70 is unmet also when hours are untold", [report(7, 7, 4, hours=None)], "unmet"),
    ("a share of 0.70 with hours untold", [report(7, 10, 7, hours=None)], "unknown"),
    ("0.69 over two check-ins: 4 of 6 and 7 of 10", [report(14, 6, 4), report(2, 10, 7)], "unmet"),
    ("never worn", [report(7, 7, 0, hours=None)], "unmet"),
    ("never worn, hours given as 0", [report(7, 7, 0, hours="0")], "unmet"),
    ("every night", [report(7, 7, 7)], "met"),
)


@pytest.mark.parametrize(("reports", "status"), SHARE)
def test_share_of_nights(reports, status):
    assert worn(*reports).status == status


HOURS = rows(
    ("3.99 h: just under", [report(7, 7, 7, "3.99")], "unmet"),
    ("4 h: at the threshold", [report(7, 7, 7, "4")], "met"),
    ("4.01 h: just over", [report(7, 7, 7, "4.01")], "met"),
    ("mean over nights worn, not over check-ins: 3.6 h", [report(14, 7, 1, "6"), report(7, 6, 6, "3.2")], "unmet"),
    ("mean of 5 nights at 5 h and 5 at 3 h is 4 h", [report(14, 5, 5, "5"), report(7, 5, 5, "3")], "met"),
    ("hours told for half of the worn nights", [report(14, 5, 5, None), report(7, 5, 5, "5")], "met"),
    ("hours told for less than half of them", [report(14, 6, 6, None), report(7, 5, 5, "5")], "unknown"),
    ("a third of an hour does not lose by rounding", [report(14, 3, 3, "4.4"), report(7, 6, 6, "3.8")], "met"),
)


@pytest.mark.parametrize(("reports", "status"), HOURS)
def test_mean_hours(reports, status):
    assert worn(*reports).status == status


def test_hours_are_shown_in_quarters_rounded_down_and_share_never_rounded_up():
    item = worn(report(7, 13, 9, "3.99"))
    assert "69 %" in item.sentence and "a mean of 3.75 hours" in item.sentence
    assert [m.unit for m in item.observed] == ["1", "h"]
    assert item.observed[1].value == Decimal("3.75")


RECOVERY = rows(
    ("5 of 10 worn: seven full nights lift it to 12 of 17", report(3, 10, 5), -4),
    ("9 of 13: one more night makes 10 of 14", report(3, 13, 9), -1),
    ("9 of 13, told today: tomorrow night", report(0, 13, 9), -1),
    ("7 nights at 3 h: two nights of 8 h lift the mean to 4.1", report(3, 7, 7, "3"), -1),
    ("7 nights at 3 h, told today: two nights to come", report(0, 7, 7, "3"), -2),
    ("6 nights covered: one more", report(1, 6, 6), -1),
    ("3 nights covered: four more from the last check-in", report(1, 3, 3), -3),
    ("no hours told on 7 nights: seven more with hours make half of them", report(1, 7, 7, None), -6),
)


@pytest.mark.parametrize(("one", "days_ago"), RECOVERY)
def test_earliest_day_of_recovery(one, days_ago):
    item = worn(one)
    assert item.status != "met"
    assert item.earliest == ago(days_ago)


def test_what_is_missing_and_which_check_ins_were_read():
    assert worn(report(7, 7, 7, hours=None)).missing == "the hours worn"
    assert worn(report(7, 6, 6)).missing == "wear over 7 nights since the current setting"
    assert [s.reference for s in worn(report(7, 7, 7)).inputs] == ["Observation/check-in-7"]
    assert len(worn(report(7, 7, 7), report(14, 7, 7)).inputs) == 2
    # One whose nights are all told otherwise, or lie before the setting, is not read.
    assert len(worn(report(7, 7, 7), report(7, 7, 3, clock="09:00:00")).inputs) == 1
    assert [s.reference for s in worn(report(7, 7, 7), report(21, 7, 7)).inputs] == ["Observation/check-in-7"]


def test_never_worn_is_no_hours():
    item = worn(report(7, 7, 0, hours=None))
    assert (item.status, [m.value for m in item.observed], item.missing) == ("unmet", [0], "")


def test_wear_that_time_alone_cannot_mend_waits_for_the_dentist():
    """Where more hours are asked than a full night has, no number of nights mends a short one."""
    long_nights = DEFAULTS.with_values({"wear_hours": Decimal(8), "full_night_hours": Decimal(7)})
    item = worn(report(7, 7, 7, "6"), thresholds=long_nights)
    assert (item.status, item.earliest) == ("unmet", None)
    assert "the dentist and the patient agree" in item.needs


def test_where_every_night_is_asked_one_missed_night_is_forgotten_with_time():
    every_night = DEFAULTS.with_values({"wear_share": Decimal(1)})
    item = worn(report(7, 7, 6), thresholds=every_night)
    assert (item.status, item.earliest, item.needs) == ("unmet", ago(7 - 28), "")


def long_course(*reports, **more):
    """A setting kept for a hundred days."""
    facts = case(appliances=(appliance(110),), settings=(setting(100, "2"),), check_ins=reports)
    return criterion(facts, "worn-enough", **more)


# Only the last 28 nights count: policy of this project.
COUNTED_BACK = rows(
    ("poor wear up to the night 29 days ago", [report(28, 10, 0), report(1, 10, 10)], "met", 1),
    ("its last night 28 days ago counts", [report(27, 10, 0), report(1, 10, 10)], "met", 2),
    ("four of its nights: 10 of 14", [report(24, 10, 0), report(1, 10, 10)], "met", 2),
    ("five of its nights: 10 of 15", [report(23, 10, 0), report(1, 10, 10)], "unmet", 2),
    ("good wear long ago does not carry poor wear now", [report(40, 28, 28), report(1, 10, 5)], "unmet", 1),
    ("counted from today, not from the last report", [report(70, 10, 10), report(45, 10, 10)], "unknown", 0),
    ("6 nights lately, though many before", [report(40, 28, 28), report(1, 6, 6)], "unknown", 1),
)


@pytest.mark.parametrize(("reports", "status", "read"), COUNTED_BACK)
def test_the_last_weeks_count(reports, status, read):
    item = long_course(*reports)
    assert (item.status, len(item.inputs)) == (status, read)
    assert "wear_recent_days" in {t.name for t in item.thresholds}


def test_a_site_that_asks_more_nights_than_are_recent_looks_back_as_far_as_it_asks():
    asked = DEFAULTS.with_values({"wear_nights_needed": Decimal(21), "wear_recent_days": Decimal(14)})
    assert long_course(report(14, 7, 7), report(7, 7, 7), report(0, 7, 7), thresholds=asked).status == "met"
    assert long_course(report(14, 7, 7), report(7, 7, 7), report(0, 6, 6), thresholds=asked).status == "unknown"


# The promised day takes into account that old reports, good ones too, leave the 28 days as new nights come in.
LEAVING = rows(
    ("a bad month leaves as a whole: 20 full nights are 20 of 28", [report(1, 8, 0)], ago(1 - 19)),
    ("the good week leaves before the bad one", [report(27, 7, 7), report(1, 7, 0)], ago(1 - 17)),
    ("a good week that stays long enough", [report(8, 7, 7), report(1, 7, 0)], ago(1 - 10)),
    ("bad wear of which one night leaves by tomorrow", [report(24, 28, 0), report(1, 7, 7)], ago(-1)),
    ("never worn in 28 nights told today: twenty full nights are 20 of 28", [report(0, 28, 0)], ago(-20)),
)


@pytest.mark.parametrize(("reports", "earliest"), LEAVING)
def test_earliest_day_as_old_reports_leave(reports, earliest):
    item = long_course(*reports)
    assert (item.status, item.earliest) == ("unmet", earliest)


def test_a_longer_course_and_a_site_that_asks_more_nights():
    facts = case(settings=(setting(40, "2"),), check_ins=(report(7, 21, 20),))
    asked = DEFAULTS.with_values({"wear_nights_needed": Decimal(22)})
    assert criterion(facts, "worn-enough").status == "met"
    assert criterion(facts, "worn-enough", asked).status == "unknown"


def test_wear_by_a_sensor_is_not_called_a_report():
    sensed = tuple(replace(good_check_in(d), reported_by="sensor") for d in (14, 7))
    assert criterion(case(check_ins=sensed), "worn-enough").sentence.id == "ready.worn-by-sensor"
    mixed = (sensed[0], good_check_in(7))
    assert criterion(case(check_ins=mixed), "worn-enough").sentence.id == "ready.worn"


def test_wear_has_recovered_on_the_day_on_which_the_share_is_just_reached():
    # 4 of 10 nights and ten nights more make 14 of 20, which is 70 %.
    item = worn(report(1, 10, 4))
    assert (item.status, item.earliest) == ("unmet", ago(1 - 10))


def sensed(days_ago, reported, worn, hours="7"):
    return replace(report(days_ago, reported, worn, hours, name="sensor"), reported_by="sensor")


def test_worked_example_of_overlapping_summaries():
    """Told 7 of 7, and two days later 3 of 7: two nights full, seven at 3 of 7, 5 of 9 together; the contradiction is asked."""
    told = (report(9, 7, 7), report(7, 7, 3))
    item = worn(*told)
    assert (item.status, item.observed[0].value) == ("unmet", Decimal("0.5556"))
    asked = [q.sentence for q in questions_of(course_on(after_delivery(*told), AS_OF, DEFAULTS), DEFAULTS)]
    found = [s for s in asked if s.id == "ledger.contradiction"]
    assert [(s.values["first"], s.values["second"], s.values["nights"]) for s in found] == [(ago(9), ago(7), 2)]


def test_worked_example_of_told_nights_before_those_of_a_sensor():
    """Told 5 of 7 three days after the onset, then a sensor's 1, 0, 0, 0: (3 x 5/7 + 1) / 7."""
    nights = (sensed(17, 1, 1), sensed(16, 1, 0), sensed(15, 1, 0), sensed(14, 1, 0))
    item = worn(report(18, 7, 5), *nights)
    assert (item.status, item.observed[0].value) == ("unmet", Decimal("0.4490"))


# One row a night: sensor before diary by night before summary; of overlapping summaries the lower.
LEDGER = rows(
    ("a sensor replaces what is told, though it tells less", [report(7, 7, 7), sensed(7, 7, 3)], "0.4286"),
    ("a sensor replaces what is told, though it tells more", [report(7, 7, 2), sensed(7, 7, 7)], "1.0000"),
    ("a night told by itself replaces a summary", [report(7, 8, 4), report(7, 1, 1, clock="09:00:00")], "0.5625"),
    (
        "a gap between sensor nights is not filled by a told report",
        [report(7, 14, 14), sensed(14, 7, 0), sensed(1, 1, 0)],
        "0.0000",
    ),
    ("reports of nights outside the sensor's count", [report(7, 7, 7), sensed(14, 7, 0)], "0.5000"),
)


@pytest.mark.parametrize(("reports", "share"), LEDGER)
def test_one_row_a_night(reports, share):
    for order in (reports, reports[::-1]):
        assert worn(*order).observed[0].value == Decimal(share)


def test_more_nights_than_since_the_delivery_are_asked_about_and_not_counted():
    def course(*reports):
        return course_on(
            case(appliances=(appliance(10),), settings=(setting(10, "0"),), check_ins=reports), AS_OF, DEFAULTS
        )

    assert len(course(report(3, 7, 7)).ledger.nights) == 7
    too_many = course(report(3, 8, 8))
    assert too_many.ledger.nights == ()
    assert "ledger.too-many-nights" in {q.sentence.id for q in questions_of(too_many, DEFAULTS)}
    early = course(report(12, 7, 7))
    assert "ledger.before-delivery" in {q.sentence.id for q in questions_of(early, DEFAULTS)}


@pytest.mark.parametrize(("age", "is_asked"), [(28, True), (29, False)], ids=["28 days", "29 days: no more"])
def test_a_report_that_cannot_be_counted_is_asked_about_for_some_weeks(age, is_asked):
    facts = case(appliances=(appliance(30),), settings=(setting(30, "0"),), check_ins=(report(age, 9, 9),))
    asked = {q.sentence.id for q in questions_of(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)}
    assert ("ledger.too-many-nights" in asked) is is_asked
