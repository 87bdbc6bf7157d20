"""Boundaries of the readiness criterion about wear: nights covered, share of nights, mean hours."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from .build import DEFAULTS, after_delivery, ago, case, check_in, criterion, good_check_in, rows, setting


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
    ("nights without hours", [report(7, 7, 7, hours=None)], 7, "unknown"),
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
    ("0.70 over two check-ins: 4 of 6 and 10 of 14", [report(14, 6, 4), report(1, 14, 10)], "met"),
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
    ("no hours told: the next night can tell", report(1, 7, 7, None), -1),
)


@pytest.mark.parametrize(("one", "days_ago"), RECOVERY)
def test_earliest_day_of_recovery(one, days_ago):
    item = worn(one)
    assert item.status != "met"
    assert item.earliest == ago(days_ago)


def test_what_is_missing_and_which_check_ins_were_read():
    assert worn(report(7, 7, 7, hours=None)).missing.startswith("hours worn per night over 7 nights")
    assert worn(report(7, 6, 6)).missing.startswith("wear over 7 nights")
    assert ", on 23 Sep 2026 (" in worn(report(7, 7, 7)).sentence
    assert ", in check-ins from 16 Sep 2026 to 23 Sep 2026 (" in worn(report(7, 7, 7), report(14, 7, 7)).sentence


def test_never_worn_is_no_hours():
    item = worn(report(7, 7, 0, hours=None))
    assert [m.value for m in item.observed] == [0, 0]
    assert "a mean of 0 hours" in item.sentence


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
    return criterion(case(settings=(setting(100, "2"),), check_ins=reports), "worn-enough", **more)


# Only reports of the 28 days up to the last one count: policy of this project.
COUNTED_BACK = rows(
    ("poor wear 28 days before the last report", [report(29, 10, 0), report(1, 10, 10)], "met", 1),
    ("poor wear 27 days before it", [report(28, 10, 0), report(1, 10, 10)], "unmet", 2),
    ("good wear long ago does not carry poor wear now", [report(40, 28, 28), report(1, 10, 5)], "unmet", 1),
    ("counted from the last report, not from today", [report(70, 10, 10), report(45, 10, 10)], "met", 2),
    ("6 nights lately, though many before", [report(40, 28, 28), report(1, 6, 6)], "unknown", 1),
)


@pytest.mark.parametrize(("reports", "status", "read"), COUNTED_BACK)
def test_reports_count_back_from_the_last_one(reports, status, read):
    item = long_course(*reports)
    assert (item.status, len(item.inputs)) == (status, read)
    assert "the reports of the 28 days up to the last one count (our default" in item.sentence
    assert "wear_recent_days" in {t.name for t in item.thresholds}


def test_a_site_that_asks_more_nights_than_are_recent_looks_back_as_far_as_it_asks():
    asked = DEFAULTS.with_values({"wear_nights_needed": Decimal(21), "wear_recent_days": Decimal(14)})
    item = long_course(report(15, 7, 7), report(8, 7, 7), report(1, 7, 7), thresholds=asked)
    assert item.status == "met"
    assert "the reports of the 21 days up to the last one count" in item.sentence


# The promised day takes into account that old reports, good ones too, leave the 28 days as new nights come in.
LEAVING = rows(
    ("a bad month leaves as a whole: 20 full nights are 20 of 28", [report(1, 8, 0)], ago(1 - 19)),
    ("the good week leaves before the bad one", [report(27, 7, 7), report(1, 7, 0)], ago(1 - 17)),
    ("a good week that stays long enough", [report(8, 7, 7), report(1, 7, 0)], ago(1 - 10)),
    ("bad wear that leaves in three days", [report(26, 28, 0), report(1, 7, 7)], ago(1 - 3)),
    ("never worn in 28 nights told today: none of them is left after 28 days", [report(0, 28, 0)], ago(-28)),
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
    assert criterion(case(check_ins=sensed), "worn-enough").sentence.endswith("; by sensor.")
    mixed = (sensed[0], good_check_in(7))
    assert criterion(case(check_ins=mixed), "worn-enough").sentence.endswith("; self-report over-reads.")


def test_wear_has_recovered_on_the_day_on_which_the_share_is_just_reached():
    # 4 of 10 nights and ten nights more make 14 of 20, which is 70 %.
    item = worn(report(1, 10, 4))
    assert (item.status, item.earliest) == ("unmet", ago(1 - 10))
