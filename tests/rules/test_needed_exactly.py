"""What is kept, to the fact: one day more or less, and a decision is made from other facts or the case grows for nothing."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.facts import CaseFacts
from service.rules.kinds import Driving, HealthChange, Hearer, PhysicianChoice, RedFlagKind
from service.rules.needed import needed

from .build import (
    AS_OF,
    DEFAULTS,
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
    """What is needed of a case whose appliance was delivered 500 days ago, and 84 days of titration are long over."""
    return needed(CaseFacts(**{"appliances": (appliance(500),), **held}), DEFAULTS, AS_OF)


def told(*days: int, **what):
    return tuple(check_in(d, **what) for d in days)


def test_only_check_ins_are_many_everything_else_stays():
    settings = tuple(setting(d, "2") for d in (400, 300, 200, 10, 0))
    effects = tuple(side_effect(1, 400, reported=d) for d in (400, 300, 0))
    flags = tuple(red_flag(RedFlagKind.LOOSE_TOOTH, d) for d in (400, 300, 0))
    found = kept(settings=settings, side_effects=effects, red_flags=flags)
    assert (found.settings, found.side_effects, found.red_flags) == (settings, effects, flags)


# Twice the 28 days in which wear is recent, the 31 nights that one report covers at most, and the 90 days that are looked
# back on, from the eve: 177 days. All policy of this project.
RECENT = rows(
    ("today", 0, True),
    ("the eve itself", 1, True),
    ("177 days before the eve", 178, True),
    ("178 days before the eve", 179, False),
)


@pytest.mark.parametrize(("days_ago", "stays"), RECENT)
def test_check_ins_of_the_last_months(days_ago, stays):
    others = tuple(good_check_in(d) for d in (3, 2))
    found = kept(check_ins=(*others, check_in(days_ago, snoring="2")))
    assert (days_ago in days_of(found.check_ins)) is stays


LAST_TOLD = rows(
    ("snoring", {"snoring": "2"}),
    ("restedness", {"restedness": "8"}),
    ("pauses", {"witnessed_pauses": False}),
    ("weight, besides the first", {"weight_kg": Decimal(80)}),
    ("who could hear", {"who_could_hear": Hearer.NOBODY}),
    ("what is driven", {"driving": Driving.CAR}),
)


@pytest.mark.parametrize("what", LAST_TOLD)
def test_the_last_two_that_tell_a_field_however_old(what):
    later = told(205, 200, nights_reported=7, nights_worn=7)
    found = kept(check_ins=(*told(300, 290, 280, 270, **what), *later))
    first = [300] if "weight_kg" in what else []
    assert days_of(found.check_ins) == [200, 270, 280, *first]


def test_every_epworth_total_since_a_new_one_is_compared_with_all():
    held = told(320, 310, 300, 290, 280, epworth_total=7)
    assert days_of(kept(check_ins=held).check_ins) == [280, 290, 300, 310, 320]


def test_every_new_condition_since_each_may_lead_to_another_test():
    held = told(320, 310, 300, health_changes=(HealthChange.STROKE,))
    assert days_of(kept(check_ins=held).check_ins) == [300, 310, 320]


def test_what_was_told_up_to_the_first_delivery():
    found = kept(check_ins=told(700, 678, 677, 600, 501, 500, snoring="2"))
    assert days_of(found.check_ins) == [500, 501, 600, 677]


def test_the_weeks_of_titration_in_which_settings_are_compared():
    """84 days from the delivery, and the 90 that are looked back on."""
    found = kept(check_ins=told(499, 326, 325, 300, 200, 190, snoring="2"))
    assert days_of(found.check_ins) == [190, 200, 326, 499]


def test_the_weeks_before_the_physician_acted_last():
    acted = (choice(300, PhysicianChoice.CONTINUE),)
    held = told(479, 478, 400, 200, 190, 125, 124, snoring="2")
    assert days_of(kept(check_ins=held, physician_decisions=acted).check_ins) == [124, 125, 190, 200, 400, 478]


def test_of_reports_that_tell_nothing_the_last_one_shows_that_the_patient_is_not_lost():
    assert days_of(kept(appliances=(), check_ins=told(300, 250, 220)).check_ins) == [220]


def test_check_ins_of_one_day_are_kept_together():
    one_day = (check_in(300, "a", snoring="2"), check_in(300, "b", restedness="8"))
    assert len(kept(check_ins=one_day).check_ins) == 2
