"""Geometry: what a setting or a measurement cannot be, on arrival and as recorded, and what is only said."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.arrival import (
    geometry_questions,
    refusals,
    setting_remarks,
    unusual_step,
    why_setting_refused,
    why_start_refused,
)
from service.rules.course import course_on
from service.rules.decision import Step
from service.rules.room import at_limit, percent_of_range, room_mm

from .build import AS_OF, DEFAULTS, appliance, assessment, case, efficacy, good_check_in, rows, setting, step


def measured(range_mm="10", start="5", limit=None):
    """An appliance with its start and limit, and the protrusive range, in mm."""
    return case(
        appliances=(appliance(60, starting_position_mm=start, maximum_advance_mm=limit),),
        assessments=(assessment(range_mm),) if range_mm else (),
        settings=(),
    )


# 0 <= start <= range; start + setting <= range per side; setting <= the appliance's limit; no setting before a delivery.
SETTINGS = rows(
    ("100 % of the range", measured(), setting(10, "5"), None),
    ("100.1 %", measured(), setting(10, "5.01"), "geometry.beyond-range"),
    ("112 % of the range", measured("10", "8"), setting(10, "3.2"), "geometry.beyond-range"),
    ("the further side counts", measured(), setting(10, "2", "5.5"), "geometry.beyond-range"),
    ("at the appliance's limit", measured(limit="3"), setting(10, "3"), None),
    ("beyond it", measured(limit="3"), setting(10, "3.01"), "geometry.beyond-appliance"),
    ("range not known", measured(range_mm=None), setting(10, "9"), None),
    ("start not known", measured(start=None), setting(10, "9"), None),
    ("on the day of the delivery", measured(), setting(60, "0"), None),
    ("the day before the delivery", measured(), setting(61, "0"), "geometry.before-delivery"),
    ("no delivery at all", case(appliances=(), settings=()), setting(10, "1"), "geometry.before-delivery"),
)


@pytest.mark.parametrize(("facts", "one", "why"), SETTINGS)
def test_a_new_setting_that_cannot_be_is_refused(facts, one, why):
    found = why_setting_refused(facts, one, DEFAULTS)
    assert (found.id if found else None) == why
    # The same on every path: the record itself among the facts, as a file or a message brings it.
    everything = refusals(replace(facts, settings=(one,)), lambda s: s == one.source, DEFAULTS)
    assert [(r.source, r.why.id) for r in everything] == ([(one.source, why)] if why else [])
    assert refusals(replace(facts, settings=(one,)), lambda s: False, DEFAULTS) == []


# A report of a test tells a setting as well; of a night before any delivery nothing is known of an appliance.
TESTED = rows(
    ("at the appliance's limit", measured(limit="3"), efficacy(10, at="3"), None),
    ("beyond it", measured(limit="3"), efficacy(10, at="3.01"), "geometry.beyond-appliance"),
    ("100 % of the range", measured(), efficacy(10, at="5"), None),
    ("beyond the range", measured(), efficacy(10, at="5.01"), "geometry.beyond-range"),
    ("no setting told", measured(limit="3"), efficacy(10, at=None), None),
    ("before any delivery", measured(limit="3"), efficacy(61, at="9"), None),
)


@pytest.mark.parametrize(("facts", "test", "why"), TESTED)
def test_a_report_of_a_test_at_a_setting_that_cannot_be_is_refused(facts, test, why):
    told = replace(facts, sleep_tests=(*facts.sleep_tests, test))
    found = refusals(told, lambda s: s == test.source, DEFAULTS)
    assert [(r.source, r.why.id) for r in found] == ([(test.source, why)] if why else [])
    assert refusals(told, lambda s: False, DEFAULTS) == []


def test_the_percent_of_the_range_is_told():
    found = why_setting_refused(measured("10", "8"), setting(10, "3.2"), DEFAULTS)
    assert found and found.values["percent"] == 112 and "112 % of the protrusive range" in found


STARTS = rows(
    ("start at the range", "4", "4", None),
    ("range 3 mm with a start at 4 mm", "3", "4", "geometry.start-beyond-range"),
    ("a hundredth beyond", "4", "4.01", "geometry.start-beyond-range"),
    ("start not known", "3", None, None),
)


@pytest.mark.parametrize(("range_mm", "start", "why"), STARTS)
def test_a_start_beyond_the_range_is_refused_whichever_came_first(range_mm, start, why):
    facts = measured(range_mm, start)
    for new in (facts.appliances[0], facts.assessments[0]):
        found = why_start_refused(facts, new, DEFAULTS)
        assert (found.id if found else None) == why


# Above 75 % of the range it is said, above 90 % only the dentist sets it.
REMARKS = rows(
    ("75 %", "2.5", None),
    ("75.1 %", "2.51", "geometry.far"),
    ("90 %", "4", "geometry.far"),
    ("90.1 %", "4.01", "geometry.by-dentist"),
    ("100 %", "5", "geometry.by-dentist"),
)


@pytest.mark.parametrize(("at", "why"), REMARKS)
def test_what_is_said_of_a_setting_far_into_the_range(at, why):
    found = [r.id for r in setting_remarks(measured(), setting(10, at), DEFAULTS)]
    assert found == ([why] if why else [])


RECORDED = rows(
    (
        "re-measured smaller: 4 + 2 of 5 mm",
        {"appliances": (appliance(starting_position_mm="4"),), "assessments": (assessment("5"),)},
        "geometry.recorded-beyond-range",
    ),
    (
        "re-measured, 4 + 2 of 6 mm fits",
        {"appliances": (appliance(starting_position_mm="4"),), "assessments": (assessment("6"),)},
        None,
    ),
    (
        "a limit below it, told late",
        {"appliances": (appliance(maximum_advance_mm="1.5"),)},
        "geometry.recorded-beyond-appliance",
    ),
    (
        "the delivery told late, after the setting",
        {"appliances": (appliance(20),)},
        "geometry.recorded-before-delivery",
    ),
    ("the delivery of the day of the setting", {"appliances": (appliance(21),)}, None),
    ("no delivery on record", {"appliances": ()}, "geometry.recorded-before-delivery"),
)


@pytest.mark.parametrize(("changes", "why"), RECORDED)
def test_a_recorded_setting_made_impossible_is_taken_and_asked(changes, why):
    facts = case(settings=(setting(21, "2"),), check_ins=(good_check_in(1, snoring="7"),), **changes)
    asked = geometry_questions(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)
    assert [a.id for a in asked] == ([why] if why else [])
    if why and facts.appliances:
        assert (step(facts).outcome, step(facts).sentence.id) == (Step.DENTIST_REVIEW, why)


LARGE = rows(
    ("1 mm", "1", "2", "", None),
    ("1.01 mm", "1", "2.01", "", "geometry.large-step"),
    ("1.01 mm with a reason", "1", "2.01", "gag", None),
    ("2 mm back is no large step forwards", "3", "1", "", None),
)


@pytest.mark.parametrize(("before", "now", "reason", "why"), LARGE)
def test_a_step_of_more_than_a_millimetre_wants_a_reason(before, now, reason, why):
    facts = case(settings=(setting(30, before), setting(10, now, reason=reason)))
    found = unusual_step(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)
    assert (found.id if found else None) == why


ROOM = rows(
    ("a start beyond the range leaves no room", "3", "4", "0", "0", True),
    ("70 % of 10 mm from 5: 2 mm at the start", "10", "5", "0", "2", False),
    ("beyond 70 % already: none, never negative", "10", "5", "2.5", "0", True),
    ("0.25 mm left: one smallest step", "10", "5", "1.75", "0.25", False),
    ("0.24 mm left", "10", "5", "1.76", "0.24", True),
)


@pytest.mark.parametrize(("range_mm", "start", "at", "room", "none_left"), ROOM)
def test_room_inside_the_range(range_mm, start, at, room, none_left):
    course = course_on(replace(measured(range_mm, start), settings=(setting(10, at),)), AS_OF, DEFAULTS)
    assert (room_mm(course, DEFAULTS), at_limit(course, DEFAULTS)) == (Decimal(room), none_left)


def test_percent_has_the_range_as_its_denominator():
    course = course_on(replace(measured(), settings=(setting(10, "1"),)), AS_OF, DEFAULTS)
    assert percent_of_range(course, Decimal(1)) == 60
    unknown = course_on(measured(range_mm=None), AS_OF, DEFAULTS)
    assert percent_of_range(unknown, Decimal(1)) is None


def test_no_advance_is_proposed_beyond_the_range():
    """3 mm of range and a start at 4 mm: no step is computed from what cannot be."""
    facts = case(
        appliances=(appliance(60, starting_position_mm="4"),),
        assessments=(assessment("3"),),
        settings=(setting(8, "0"),),
        check_ins=(good_check_in(1, snoring="7"),),
    )
    assert step(facts).outcome == Step.DENTIST_REVIEW
