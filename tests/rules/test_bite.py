"""Occlusal change per year against published means, flagged when faster than twice the mean."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.bite import occlusal_change
from service.rules.facts import CaseFacts, DentalAssessment
from service.rules.source import Moment

from .build import AS_OF, DEFAULTS, ago, dec, rows, source


def seen(days_ago, overjet=None, overbite=None, name="", clock=""):
    moment = Moment(ago(days_ago), clock)
    return DentalAssessment(
        source(f"seen-{days_ago}{name}"), moment, overjet_mm=dec(overjet), overbite_mm=dec(overbite)
    )


def judged(*assessments):
    return occlusal_change(CaseFacts(assessments=assessments), DEFAULTS, AS_OF)


# Mean yearly decrease of the overjet: 0.35 mm (Minagi 2018, doi 10.5664/jcsm.6896); twice that is 0.70 (policy).
# 1461 days are four years, so that 2.8 mm are exactly 0.70 a year.
OVERJET = rows(
    ("0.70 mm a year is not faster than 0.70", "4.00", "1.20", "met", "-0.70"),
    ("a little faster than 0.70", "4.00", "1.19", "attention", "-0.70"),
    ("0.18 a year, the mean of Pliska 2014", "4.0", "3.3", "met", "-0.18"),
    ("unchanged", "4", "4", "met", "0"),
    ("increased", "3", "7", "met", "1"),
    ("into a reverse overjet", "1", "-2", "attention", "-0.75"),
)


@pytest.mark.parametrize(("first", "last", "status", "yearly"), OVERJET)
def test_overjet(first, last, status, yearly):
    item, _ = judged(seen(1461, first), seen(0, last))
    assert (item.status, item.observed[0].value, item.observed[0].unit) == (status, Decimal(yearly), "mm/a")
    assert bool(item.needs) == (status == "attention")
    assert len(item.inputs) == 2


# Mean yearly decrease of the overbite: 0.21 mm (calculated from Pliska 2014 and Minagi 2018); twice that is 0.42.
OVERBITE = rows(("0.42 a year", "4.00", "2.32", "met"), ("a little faster than 0.42", "4.00", "2.31", "attention"))


@pytest.mark.parametrize(("first", "last", "status"), OVERBITE)
def test_overbite(first, last, status):
    _, item = judged(seen(1461, overbite=first), seen(0, overbite=last))
    assert item.status == status


APART = rows(("179 days apart", 179, "unknown"), ("180 days apart", 180, "met"), ("one examination", None, "unknown"))


@pytest.mark.parametrize(("days", "status"), APART)
def test_how_far_apart(days, status):
    first = () if days is None else (seen(days + 10, "4"),)
    item, other = judged(*first, seen(10, "3.9"))
    assert item.status == status
    assert bool(item.missing) == (status == "unknown")
    assert (other.status, other.missing) == ("unknown", "the overbite")


def test_the_first_and_the_last_count_and_of_two_at_one_moment_the_more_cautious():
    item, _ = judged(
        seen(1461, "4"), seen(1461, "4.2", name="b"), seen(700, "9"), seen(0, "3"), seen(0, "3.4", name="b")
    )
    assert item.observed[0].value == Decimal("-0.3")
    assert {s.reference for s in item.inputs} == {"Observation/seen-1461b", "Observation/seen-0"}


def test_words_for_a_rise_a_fall_and_none():
    assert (
        "decreased by 0.25 mm a year, from 4 mm on 30 Sep 2022 to 3 mm"
        in judged(seen(1461, "4"), seen(0, "3"))[0].sentence
    )
    assert "increased by 0.25 mm a year" in judged(seen(1461, "3"), seen(0, "4"))[0].sentence
    assert "did not change" in judged(seen(1461, "3"), seen(0, "3"))[0].sentence
    steady = judged(seen(1461, "3"), seen(0, "3"))[0]
    assert steady.sentence.endswith("a decrease of more than 0.7 mm a year is called fast.")
    assert {"overjet_change", "bite_times"} <= {t.name for t in steady.thresholds}


def test_an_examination_of_tomorrow_is_not_known():
    assert judged(seen(1461, "4"), seen(-1, "1"))[0].status == "unknown"
