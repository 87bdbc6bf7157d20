"""Each note on comparability is raised by its own difference and by no neighbour of it."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.kinds import HypopnoeaRule, IndexName, TestPlace, Worn
from service.rules.response import assess_response

from .build import AS_OF, DEFAULTS, appliance, baseline, case, efficacy, rows, setting


def notes(before, after, **changes) -> tuple[str, ...]:
    found = assess_response(case(sleep_tests=(before, after), **changes), DEFAULTS, AS_OF)
    assert found
    return found.comparability


AROUSAL, FOUR, UNKNOWN = HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.UNKNOWN

ONE_NOTE = rows(
    ("AHI against REI", baseline(), efficacy(3, index_name=IndexName.REI), "they are not interchangeable"),
    ("REI against AHI", baseline(index_name=IndexName.REI), efficacy(3), "reports REI and the efficacy test AHI"),
    ("AHI against RDI", baseline(), efficacy(3, index_name=IndexName.RDI), "AHI and the efficacy test RDI"),
    ("index of the efficacy test not named", baseline(), efficacy(3, index_name=None), "an unnamed index"),
    ("4 % against 3 % or arousal", baseline(), efficacy(3, hypopnoea_rule=AROUSAL), "«4%» at baseline"),
    ("rule unknown at baseline", baseline(hypopnoea_rule=UNKNOWN), efficacy(3), "at least one test is not known"),
    ("rule unknown at the efficacy test", baseline(), efficacy(3, hypopnoea_rule=UNKNOWN), "is not known"),
    ("laboratory against home", baseline(place=TestPlace.LABORATORY), efficacy(3), "was a laboratory test"),
    ("home against laboratory", baseline(), efficacy(3, place=TestPlace.LABORATORY), "was a home test"),
    (
        "baseline of 3.9 h",
        baseline(recording_hours=Decimal("3.9")),
        efficacy(3),
        "The baseline test recorded 3.9 hours",
    ),
    ("efficacy test of 3.9 h", baseline(), efficacy(3, hours="3.9"), "The efficacy test recorded 3.9 hours"),
    (
        "baseline of unknown length",
        baseline(recording_hours=None),
        efficacy(3),
        "baseline test recorded an unknown time",
    ),
    ("appliance not worn", baseline(), efficacy(3, worn=Worn.NO), "not recorded as worn"),
    (
        "tested at another setting",
        baseline(),
        efficacy(30, at="1"),
        "made at 1 mm on both sides; the setting now is 2 mm",
    ),
    ("setting of the test unknown, before the onset", baseline(), efficacy(22, at=None), "before the current setting"),
    ("same setting, but before the current run", baseline(), efficacy(22, at="2"), "before the current setting"),
)


@pytest.mark.parametrize(("before", "after", "says"), ONE_NOTE)
def test_one_difference_raises_one_note(before, after, says):
    found = notes(before, after)
    assert len(found) == 1
    assert says in found[0]


NO_NOTE = rows(
    ("alike in everything", baseline(), efficacy(3)),
    ("REI against REI", baseline(index_name=IndexName.REI), efficacy(3, index_name=IndexName.REI)),
    ("3 % or arousal at both", baseline(hypopnoea_rule=AROUSAL), efficacy(3, hypopnoea_rule=AROUSAL)),
    ("laboratory at both", baseline(place=TestPlace.LABORATORY), efficacy(3, place=TestPlace.LABORATORY)),
    ("place of one not known", baseline(place=None), efficacy(3)),
    ("both tests on one day", baseline(3), efficacy(3)),
    ("exactly 4 h each", baseline(recording_hours=Decimal(4)), efficacy(3, hours="4")),
    ("on the day of the onset", baseline(), efficacy(21, at=None)),
    ("setting of the test written with decimals", baseline(), efficacy(3, at="2.00")),
)


@pytest.mark.parametrize(("before", "after"), NO_NOTE)
def test_no_note_for_the_neighbour(before, after):
    assert notes(before, after) == ()


def test_a_new_setting_after_the_test_raises_the_note():
    settings = (setting(21, "2"), setting(1, "2.5"))
    assert len(notes(baseline(), efficacy(3), settings=settings)) == 1
    assert notes(baseline(), efficacy(3), settings=settings[:1]) == ()


def test_differences_add_up():
    found = notes(
        baseline(place=TestPlace.LABORATORY, hypopnoea_rule=AROUSAL),
        efficacy(3, index_name=IndexName.REI, hours="3", worn=Worn.NO),
    )
    assert len(found) == 5


def test_an_efficacy_test_without_the_appliance_is_not_called_one_with_it():
    tests = (baseline(), efficacy(3, worn=Worn.NO))
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found and "with the appliance" not in found.sentence


def test_a_test_of_an_earlier_appliance_is_said():
    tests = (baseline(), efficacy(20, "6", at=None))
    new = case(appliances=(appliance(60), appliance(10)), settings=(), sleep_tests=tests)
    found = assess_response(new, DEFAULTS, AS_OF)
    assert found and found.comparability == (
        "The test of 10 Sep 2026 was made before the appliance in use now was delivered on 20 Sep 2026.",
    )
    same_day = case(appliances=(appliance(60), appliance(20)), settings=(), sleep_tests=tests)
    again = assess_response(same_day, DEFAULTS, AS_OF)
    assert again and again.comparability == ()
