"""The ledger of nights: one row a night, sensor before a night told before a summary, the lower of two summaries.

All of it is policy; rows marked B and the worked examples are those of the clinical ground.
"""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest

from service.rules.alleviation import alleviation
from service.rules.criteria_of_wear import status_of, wear_of
from service.rules.decision import Status
from service.rules.facts import CheckIn
from service.rules.ledger import ledger_of
from service.rules.source import Moment, Source

from .build import DEFAULTS, dec, rows

SEVENTHS = {n: Fraction(n, 7) for n in range(8)}
DELIVERED = date(2026, 10, 1)


def day(number: int) -> date:
    """A day of November 2026."""
    return date(2026, 11, 1) + timedelta(days=number - 1)


def told(
    on: int, worn: int | None, of: int | None, by: str = "patient", hours: str | None = "6", slept: str | None = None
):
    """A report of a day of November: worn on so many of so many nights before it."""
    source = Source(f"Observation/{by}-{on}-{worn}-{of}-{hours}", 1)
    nights = {"nights_worn": worn, "nights_reported": of}
    return CheckIn(source, Moment(day(on)), by, **nights, hours_per_night=dec(hours), hours_slept_per_night=dec(slept))


def sensor(on: int, worn: int, of: int, hours: str | None = "6"):
    return told(on, worn, of, "sensor", hours)


def ledger(*reports: CheckIn, delivered: date | None = DELIVERED):
    return ledger_of(reports, delivered)


def shares(*reports: CheckIn) -> dict[int, Fraction]:
    """The share worn of each night known, by its day of November."""
    return {(n.evening - day(1)).days + 1: n.worn for n in ledger(*reports).nights}


def each(*spans: tuple[int, int, Fraction | int]) -> dict[int, Fraction]:
    """The same share for all nights of each span, both ends included."""
    return {night: Fraction(share) for first, last, share in spans for night in range(first, last + 1)}


NIGHTS = rows(
    ("a report covers the nights before its day", (told(10, 7, 7),), each((3, 9, 1))),
    ("of one night", (told(10, 1, 1),), each((9, 9, 1))),
    ("a summary gives each night its share", (told(10, 5, 7),), each((3, 9, SEVENTHS[5]))),
    ("never worn", (told(10, 0, 3, hours=None),), each((7, 9, 0))),
    ("no nights", (told(10, 0, 0),), {}),
    ("how many were worn is not told", (told(10, None, 7),), {}),
    ("of how many is not told", (told(10, 3, None),), {}),
    ("two weeks side by side", (told(10, 7, 7), told(17, 0, 7)), each((3, 9, 1), (10, 16, 0))),
    ("a repeated report counts once", (told(10, 5, 7), told(10, 5, 7, hours="5")), each((3, 9, SEVENTHS[5]))),
    # B1: of overlapping summaries each night takes the lower.
    (
        "B1: 7/7 on the 24th, 3/7 on the 26th",
        (told(24, 7, 7), told(26, 3, 7)),
        each((17, 18, 1), (19, 25, SEVENTHS[3])),
    ),
    ("B1 in the other order", (told(26, 3, 7), told(24, 7, 7)), each((17, 18, 1), (19, 25, SEVENTHS[3]))),
    ("the earlier is the lower", (told(24, 3, 7), told(26, 7, 7)), each((17, 23, SEVENTHS[3]), (24, 25, 1))),
    # B2: a sensor's night replaces what was told of it, whatever the time stamps.
    ("a sensor's night replaces a summary", (told(10, 7, 7), sensor(10, 0, 1)), each((3, 8, 1), (9, 9, 0))),
    ("also one told later", (sensor(10, 1, 1), told(12, 0, 7)), each((5, 8, 0), (9, 9, 1), (10, 11, 0))),
    ("also when it read more", (told(10, 0, 7), sensor(10, 1, 1)), each((3, 8, 0), (9, 9, 1))),
    ("a sensor's k of n holds for all its n nights", (told(10, 7, 7), sensor(10, 3, 7)), each((3, 9, SEVENTHS[3]))),
    (
        "B2: told 5/7 on the 13th, sensor 13 to 16: 1, 0, 0, 0",
        (told(13, 5, 7), sensor(14, 1, 1), sensor(15, 0, 1), sensor(16, 0, 1), sensor(17, 0, 1)),
        each((6, 12, SEVENTHS[5]), (13, 13, 1), (14, 16, 0)),
    ),
    (
        "a gap of the sensor stays unknown: nobody fills it",
        (sensor(10, 1, 1), sensor(14, 1, 1), told(14, 7, 7)),
        each((7, 8, 1), (9, 9, 1), (13, 13, 1)),
    ),
    (
        "before its first and after its last night people may tell",
        (sensor(10, 1, 1), sensor(11, 1, 1), told(13, 0, 5)),
        each((8, 8, 0), (9, 10, 1), (11, 12, 0)),
    ),
    (
        "a night told by itself goes before a summary",
        (told(10, 0, 7), told(10, 1, 1, "bed-partner")),
        each((3, 8, 0), (9, 9, 1)),
    ),
    ("of two told by themselves the lower", (told(10, 1, 1), told(10, 0, 1, "bed-partner", None)), each((9, 9, 0))),
    ("a sensor goes before a night told by itself", (told(10, 1, 1), sensor(10, 0, 1, None)), each((9, 9, 0))),
)


@pytest.mark.parametrize(("reports", "expected"), NIGHTS)
def test_one_row_a_night(reports, expected):
    assert shares(*reports) == expected
    assert shares(*reversed(reports)) == expected


def test_of_two_equal_shares_the_fewer_hours_count():
    (night,) = ledger(told(10, 1, 1, hours="7"), told(10, 1, 1, "bed-partner", "5")).nights
    assert night.hours == 5


def test_a_night_knows_who_told_it():
    by_sensor, by_hand = ledger(sensor(10, 1, 1), told(11, 1, 1)).nights
    assert (by_sensor.by_sensor, by_sensor.single) == (True, True)
    assert (by_hand.by_sensor, by_hand.single) == (False, True)
    assert not ledger(told(10, 7, 7)).nights[0].single
    assert by_hand.sources == (told(11, 1, 1).source,)


def test_hours_of_a_night_not_worn_are_none_at_all():
    assert ledger(told(10, 0, 1, hours=None)).nights[0].hours == 0
    assert ledger(told(10, 1, 1, hours=None)).nights[0].hours is None


# Reports from before the delivery, or of more nights than there were since, are asked about and not counted.
POSSIBLE = rows(
    ("as many nights as days since", 7, True),
    ("one night more", 8, False),
    ("of the day of the delivery", 1, True),
)


@pytest.mark.parametrize(("nights", "counted"), POSSIBLE)
def test_no_more_nights_than_since_the_delivery(nights, counted):
    report = told(10, nights, nights)
    found = ledger(report, delivered=day(3))
    assert bool(found.nights) is counted
    assert found.not_counted == (() if counted else (report,))


def test_before_the_delivery_or_without_one_nothing_counts():
    report = told(3, 1, 1)
    assert ledger(report, delivered=day(3)).not_counted == (report,)
    assert ledger(report, delivered=day(5)).not_counted == (report,)
    assert ledger(report, delivered=None).nights == ()


# Two reports contradict each other when their counts differ by more than one night over the nights both cover.
CONTRADICTIONS = rows(
    ("7/7 on the 24th and 3/7 on the 26th: 5 shared, at most 3", (told(24, 7, 7), told(26, 3, 7)), [2]),
    ("7/7 and 4/7: one night, not said", (told(24, 7, 7), told(26, 4, 7)), []),
    ("7/7 and 3/7 of the same nights", (told(24, 7, 7), told(24, 3, 7, "bed-partner")), [4]),
    ("both can hold", (told(24, 5, 7), told(26, 3, 7)), []),
    ("nothing shared", (told(17, 7, 7), told(24, 0, 7)), []),
    ("a sensor contradicts a summary", (told(24, 7, 7), sensor(24, 2, 7)), [5]),
)


@pytest.mark.parametrize(("reports", "nights"), CONTRADICTIONS)
def test_contradictions_are_shown(reports, nights):
    assert [c.nights for c in ledger(*reports).contradictions(date.min, DEFAULTS)] == nights
    assert [c.nights for c in ledger(*reversed(reports)).contradictions(date.min, DEFAULTS)] == nights


def test_a_contradiction_names_both_days():
    (found,) = ledger(told(24, 7, 7), told(26, 3, 7)).contradictions(date.min, DEFAULTS)
    assert (found.first, found.second) == (day(24), day(26))


def test_the_nights_since_an_evening_and_at_most_so_many():
    held = ledger(told(29, 28, 28))
    assert [n.evening for n in held.between(day(3), day(5))] == [day(3), day(4), day(5)]
    assert [n.evening for n in held.recent(day(10), day(12), 28)] == [day(10), day(11)]
    assert [n.evening for n in held.recent(day(1), day(12), 3)] == [day(9), day(10), day(11)]


EXAMPLES = rows(
    (
        "9: told 7/7 on 24 Nov and 3/7 on 26 Nov: 5 of 9",
        (told(24, 7, 7), told(26, 3, 7)),
        day(17),
        9,
        Fraction(5, 9),
    ),
    (
        "9: onset 10 Nov, told 5/7, then the sensor: (3 × 5/7 + 1)/7",
        (told(13, 5, 7), sensor(14, 1, 1), sensor(15, 0, 1), sensor(16, 0, 1), sensor(17, 0, 1)),
        day(10),
        7,
        Fraction(22, 49),
    ),
)


@pytest.mark.parametrize(("reports", "onset", "known", "share"), EXAMPLES)
def test_worked_examples_of_wear(reports, onset, known, share):
    wear = wear_of(ledger(*reports).recent(onset, day(30), 28))
    assert (wear.known, wear.worn / wear.known) == (known, share)
    assert status_of(wear, DEFAULTS) is Status.UNMET


def test_worked_example_of_wear_capped_by_night():
    nights = ledger(told(10, 4, 7, hours="8", slept="7")).nights
    found = alleviation(Decimal(20), Decimal(8), nights)
    assert found and (found.percent, found.effective_per_hour) == (Decimal("34.3"), Decimal("13.1"))
    assert found.at_most
