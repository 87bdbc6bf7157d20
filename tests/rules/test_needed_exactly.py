"""What is kept, to the fact: one day more or less, and a decision is made from other facts or the case grows for nothing."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.facts import CaseFacts
from service.rules.kinds import PhysicianChoice, RedFlagKind
from service.rules.needed import needed
from service.rules.source import Moment

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    check_in,
    choice,
    good_check_in,
    red_flag,
    rows,
    setting,
    side_effect,
)


def days_of(facts) -> list[int]:
    """How many days ago each was told."""
    return sorted((AS_OF - f.moment.day).days for f in facts)


def kept(**held) -> CaseFacts:
    return needed(CaseFacts(**{"appliances": (appliance(200),), **held}), DEFAULTS, AS_OF)


def test_settings_the_current_run_the_one_before_it_and_those_of_today():
    held = tuple(setting(d, mm) for d, mm in ((40, "0"), (35, "1"), (30, "1"), (20, "2"), (10, "2"), (0, "3")))
    assert days_of(kept(settings=held).settings) == [0, 10, 20, 30]


def test_the_last_setting_told_also_of_an_earlier_appliance():
    appliances = (appliance(200), appliance(5))
    held = tuple(setting(d, "1") for d in (90, 60, 30))
    assert days_of(kept(appliances=appliances, settings=held).settings) == [30]


def test_side_effects_as_known_on_the_eve_on_the_onset_and_the_day_before_it():
    held = tuple(side_effect(1, 40, reported=d) for d in (30, 25, 20, 10, 1, 0))
    found = kept(settings=(setting(60, "1"), setting(20, "2")), side_effects=held)
    assert days_of(found.side_effects) == [0, 1, 20, 25]


def test_reports_of_one_moment_are_kept_together():
    held = (side_effect(1, 5), side_effect(2, 5), side_effect(1, 9))
    assert [(e.grade, (AS_OF - e.moment.day).days) for e in kept(side_effects=held).side_effects] == [(1, 5), (2, 5)]
    of_a_clock = tuple(
        replace(e, moment=Moment(ago(5), clock)) for e, clock in zip(held, ("08:00", "09:00"), strict=False)
    )
    assert [e.grade for e in kept(side_effects=of_a_clock).side_effects] == [2]


def test_red_flags_as_known_on_the_eve_and_on_the_day_before_the_physician_acted():
    held = tuple(red_flag(RedFlagKind.LOOSE_TOOTH, d) for d in (30, 20, 15, 10, 5, 0))
    acted = (choice(15, PhysicianChoice.CONTINUE),)
    assert days_of(kept(red_flags=held, physician_decisions=acted).red_flags) == [0, 5, 20]
    assert days_of(kept(red_flags=held).red_flags) == [0, 5]


# Twice the 28 days in which wear is recent, back from the eve: policy of this project.
RECENT = rows(
    ("the eve itself", 1, True),
    ("today", 0, True),
    ("56 days before the eve", 57, True),
    ("57 days before the eve", 58, False),
)


@pytest.mark.parametrize(("days_ago", "stays"), RECENT)
def test_check_ins_of_the_last_weeks(days_ago, stays):
    others = tuple(good_check_in(d) for d in (3, 2))
    found = kept(check_ins=(*others, check_in(days_ago, snoring="2")))
    assert (days_ago in days_of(found.check_ins)) is stays


def test_the_last_two_that_tell_each_field_however_old():
    held = (
        *(check_in(d, snoring="2") for d in (300, 290, 280)),
        *(check_in(d, restedness="8") for d in (270, 260, 250)),
        *(check_in(d, epworth_total=7) for d in (240, 230, 220)),
        *(check_in(d, witnessed_pauses=False) for d in (215, 212, 210)),
    )
    assert days_of(kept(appliances=(), check_ins=held).check_ins) == [210, 212, 220, 230, 250, 260, 280, 290]


def test_the_first_weight_and_the_last_two():
    held = tuple(check_in(d, weight_kg=Decimal(80)) for d in (150, 140, 130, 120, 110, 100))
    assert days_of(kept(check_ins=held).check_ins) == [100, 110, 150]


def test_what_was_told_up_to_the_first_delivery():
    held = tuple(check_in(d, epworth_total=12) for d in (280, 257, 256, 230, 200, 199, 100, 90))
    found = kept(check_ins=held)
    assert days_of(found.check_ins) == [90, 100, 200, 230, 256]
    later = kept(check_ins=held, appliances=(appliance(200), appliance(150)))
    assert later.check_ins == found.check_ins


def test_reports_that_wear_is_counted_back_from():
    worn = {"nights_reported": 7, "nights_worn": 6, "hours_per_night": "7"}
    held = tuple(check_in(d, **worn) for d in (150, 129, 128, 110, 100))
    assert days_of(kept(check_ins=held).check_ins) == [100, 110, 128]
    slept = tuple(check_in(d, **worn, hours_slept_per_night=Decimal(8)) for d in (151, 140))
    assert days_of(kept(check_ins=(*slept, *held)).check_ins) == [100, 110, 128, 140, 151]


def test_of_reports_that_tell_nothing_the_last_one_shows_that_the_patient_is_not_lost():
    held = tuple(check_in(d) for d in (300, 250, 220))
    assert days_of(kept(appliances=(), check_ins=held).check_ins) == [220]
