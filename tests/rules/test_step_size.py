"""How far a step goes, forwards and back, and when the appliance or its standard parts leave no room."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.decision import Party, Step
from service.rules.step_size import one_step_back

from .build import AS_OF, DEFAULTS, appliance, case, good_check_in, rows, setting, side_effect, step


def unsettled(days_ago=1):
    return good_check_in(days_ago, snoring="6")


def titrating(onset=8, at="1", **more):
    return case(settings=(setting(onset + 10, "0"), setting(onset, at)), check_ins=(unsettled(),), **more)


TARGETS = rows(
    ("one millimetre", "0", None, None, ("1", "1")),
    ("one millimetre past the goal", "2", None, None, ("3", "3")),
    ("up to the standard parts only", "2.5", None, None, ("3", "3")),
    ("up to the appliance's limit only", "1", "1.5", None, ("1.5", "1.5")),
    ("whole steps of the appliance: 0.4 twice", "1", None, "0.4", ("1.8", "1.8")),
    ("whole steps inside the limit: 0.25 three times", "1", "1.9", "0.25", ("1.75", "1.75")),
    ("the appliance's step equals the usual one", "1", None, "1", ("2", "2")),
    ("the appliance's step is larger than the usual one", "1", None, "1.5", ("2.5", "2.5")),
)


@pytest.mark.parametrize(("at", "limit", "own", "target"), TARGETS)
def test_how_far_a_step_goes(at, limit, own, target):
    decided = step(titrating(8, at, appliances=(appliance(maximum_advance_mm=limit, smallest_step_mm=own),)))
    assert decided.outcome == Step.ADVANCE
    assert (decided.target_left_mm, decided.target_right_mm) == (Decimal(target[0]), Decimal(target[1]))
    assert ("passes the typical goal of 2 mm" in decided.sentence) == (Decimal(target[0]) > 2)
    assert decided.until == AS_OF


def test_an_intended_difference_is_kept_and_the_further_side_sets_the_limit():
    facts = case(settings=(setting(8, "1.5", "2.5", difference_intended=True),), check_ins=(unsettled(),))
    decided = step(facts)
    assert (decided.target_left_mm, decided.target_right_mm) == (Decimal("2"), Decimal("3"))


# More than 1 mm apart the dentist reviews, also when the difference is meant.
APART = rows(
    ("1 mm apart", "2.5", "", Step.ADVANCE),
    ("1.01 mm apart", "2.51", "", Step.DENTIST_REVIEW),
    ("1.01 mm apart, with the dentist's reason", "2.51", "midline", Step.ADVANCE),
)


@pytest.mark.parametrize(("right", "reason", "outcome"), APART)
def test_sides_far_apart_go_to_the_dentist(right, reason, outcome):
    one = setting(8, "1.5", right, difference_intended=True, reason=reason)
    decided = step(case(settings=(one,), check_ins=(unsettled(),)))
    assert decided.outcome == outcome
    assert (decided.sentence.id == "step.far-apart") == (outcome is Step.DENTIST_REVIEW)


def test_no_whole_step_of_the_appliance_fits_below_the_standard_parts():
    decided = step(titrating(8, "2.8", appliances=(appliance(smallest_step_mm="0.25"),)))
    assert decided.outcome == Step.DENTIST_REVIEW
    assert "beyond 3 mm" in decided.sentence


def test_a_site_with_smaller_steps_moves_by_them_unless_the_appliance_cannot():
    site = DEFAULTS.with_values({"step_mm": Decimal("0.5")})
    assert step(titrating(), thresholds=site).target_left_mm == Decimal("1.5")
    coarse = titrating(appliances=(appliance(smallest_step_mm="1"),))
    assert step(coarse, thresholds=site).target_left_mm == Decimal("2")


ROOM = rows(
    ("not known", None, "unknown"),
    ("0.3 mm: room for a step", "1.3", "met"),
    ("0.25 mm: room for the smallest step", "1.25", "met"),
    ("0.24 mm: none", "1.24", "unmet"),
    ("at the limit: none", "1", "unmet"),
)


def test_a_limit_below_the_recorded_setting_is_the_dentists_question():
    decided = step(titrating(appliances=(appliance(maximum_advance_mm="0.5"),)))
    assert (decided.outcome, decided.sentence.id) == (Step.DENTIST_REVIEW, "geometry.recorded-beyond-appliance")


@pytest.mark.parametrize(("limit", "status"), ROOM)
def test_room_left(limit, status):
    decided = step(titrating(appliances=(appliance(maximum_advance_mm=limit),)))
    reason = decided.criterion("room-left")
    assert reason.status == status
    assert all(m.value >= 0 for m in reason.observed)


STEP_BACKS = rows(
    ("to the previous setting", (setting(18, "1"), setting(8, "2")), ("1", "1")),
    ("to the previous setting, whatever its size", (setting(18, "1.5"), setting(8, "2")), ("1.5", "1.5")),
    ("one step when the previous was further", (setting(18, "3"), setting(8, "2")), ("1", "1")),
    (
        "one step when the previous was as far, only uneven",
        (setting(18, "1", "3", difference_intended=True), setting(8, "2")),
        ("1", "1"),
    ),
    ("one step when there is no previous", (setting(8, "2"),), ("1", "1")),
    ("not below the starting position", (setting(8, "0.5"),), ("0", "0")),
    ("each side stops at the start", (setting(8, "1.5", "0.5", difference_intended=True),), ("0.5", "0")),
    ("neither side is raised", (setting(18, "1", "0.5"), setting(8, "0.75", "1")), ("0.75", "0.5")),
)


@pytest.mark.parametrize(("settings", "target"), STEP_BACKS)
def test_where_a_step_back_goes(settings, target):
    found = one_step_back(course_on(case(settings=settings), AS_OF, DEFAULTS), DEFAULTS)
    assert found == (Decimal(target[0]), Decimal(target[1]))


def test_a_step_back_is_advised_to_the_dentist():
    """Moderate pain since the last step that lasts more than three days."""
    facts = case(
        settings=(setting(18, "1"), setting(8, "2")), check_ins=(unsettled(),), side_effects=(side_effect(2, 4),)
    )
    decided = step(facts)
    assert (decided.outcome, decided.whose_move) == (Step.STEP_BACK, Party.DENTIST)
    assert (decided.target_left_mm, decided.target_right_mm) == (Decimal(1), Decimal(1))
    assert "by the dentist's direction" in decided.sentence


def test_worked_example_of_a_step_back_that_would_leave_the_sides_apart():
    """From 1.5 on both sides, the setting before being 2 and 0: no side is raised, and 1.5 mm apart is the dentist's."""
    settings = (setting(18, "2", "0", difference_intended=True), setting(8, "1.5"))
    decided = step(case(settings=settings, check_ins=(unsettled(),), side_effects=(side_effect(2, 5),)))
    assert (decided.target_left_mm, decided.target_right_mm) == (Decimal("1.5"), Decimal(0))
    assert (decided.outcome, decided.sentence.id) == (Step.DENTIST_REVIEW, "step.back-far-apart")
