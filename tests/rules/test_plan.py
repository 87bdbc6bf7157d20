"""Activities of each stage in plain language, from the case's own data, with common practice marked as such."""

from __future__ import annotations

import pytest

from service.rules.facts import CaseFacts, Visit
from service.rules.kinds import Office, PhysicianChoice, RedFlagKind, ReferralState
from service.rules.plan import Activity, activities_of
from service.rules.titration import next_step

from .build import (
    DEFAULTS,
    READY,
    ago,
    appliance,
    baseline,
    case,
    choice,
    efficacy,
    good_check_in,
    order,
    readiness,
    red_flag,
    referral,
    rows,
    setting,
    side_effect,
    source,
    stage,
)


def activities(facts) -> tuple[Activity, ...]:
    return activities_of(facts, stage(facts), next_step(facts, DEFAULTS, readiness(facts)), DEFAULTS)


def titles(facts):
    return [a.title for a in activities(facts)]


def one(facts, title) -> Activity:
    return next(a for a in activities(facts) if a.title == title)


ROUTINE = ["Morning routine", "Jaw exercises", "Cleaning", "Side sleeping"]
NEXT = ["Next visit: dentist", "Next visit: physician"]
LOUD = case(settings=(setting(8, "1"),), check_ins=(good_check_in(1, snoring="7"),))
TESTED = (baseline(), efficacy(4))

STAGES = rows(
    ("referred", CaseFacts(referral=referral(ReferralState.REQUESTED)), ["Dental office"]),
    ("accepted", CaseFacts(referral=referral(ReferralState.ACCEPTED)), ["Dental office"]),
    ("closed", case(referral=referral(ReferralState.CANCELLED)), []),
    ("delivered, no setting yet", case(appliances=(appliance(9),), settings=(), check_ins=()), ["Next: dentist"]),
    (
        "a locked jaw: nothing that goes with wearing it",
        case(red_flags=(red_flag(RedFlagKind.LOCKED_JAW),)),
        ["Next: dentist", "This week", *NEXT, "Cautions"],
    ),
    (
        "severe pain beside an order: no test night",
        case(side_effects=(side_effect(3, 1),), test_orders=(order(5),)),
        ["Next: dentist", "This week", *NEXT, "Cautions"],
    ),
    ("titrating", LOUD, ["Next: patient", "This week", *ROUTINE, *NEXT, "Cautions"]),
    ("ready", READY, ["Next: physician", "This week", *ROUTINE, *NEXT, "Cautions", "Efficacy test"]),
    (
        "ordered",
        case(test_orders=(order(1),)),
        ["Next: sleep lab", "This week", *ROUTINE, *NEXT, "Cautions", "Efficacy test"],
    ),
    ("tested", case(sleep_tests=TESTED), ["Next: physician", "This week", *ROUTINE, *NEXT, "Cautions"]),
    (
        "in follow-up",
        case(sleep_tests=TESTED, physician_decisions=(choice(2, PhysicianChoice.CONTINUE),)),
        ["Nothing is due", "This week", *ROUTINE, *NEXT, "Cautions"],
    ),
    (
        "first days",
        case(appliances=(appliance(3),), settings=(setting(3, "0"),), check_ins=()),
        ["Next: patient", "This week", "Getting used to the appliance", *ROUTINE, *NEXT, "Cautions"],
    ),
)


@pytest.mark.parametrize(("facts", "expected"), STAGES)
def test_activities_of_each_stage(facts, expected):
    assert titles(facts) == expected


WEAR_IN = rows(("6 days", 6, True), ("7 days: over", 7, False), ("delivered today", 0, True))


@pytest.mark.parametrize(("since", "there"), WEAR_IN)
def test_wear_in_lasts_the_first_week(since, there):
    facts = case(appliances=(appliance(since),), settings=(setting(since, "0"),), check_ins=())
    assert ("Getting used to the appliance" in titles(facts)) is there


def test_wear_in_names_its_last_day_and_its_support():
    facts = case(appliances=(appliance(3),), settings=(setting(3, "0"),), check_ins=())
    found = one(facts, "Getting used to the appliance")
    assert (found.when, found.mark) == ("until 4 Oct 2026", "common practice")
    assert "1 to 2 hours by day" in found.instruction and "30 to 60 minutes before bed" in found.instruction
    assert found.instruction.endswith("What your dentist tells you comes first.")


def test_without_an_appliance_nothing_of_wear_in():
    step_of_ready = next_step(READY, DEFAULTS, readiness(READY))
    no_appliance = case(appliances=())
    found = activities_of(no_appliance, stage(READY), step_of_ready, DEFAULTS)
    assert "Getting used to the appliance" not in [a.title for a in found]


def test_only_common_practice_is_marked_so():
    facts = case(appliances=(appliance(3),), settings=(setting(3, "0"),), check_ins=())
    marked = [a.title for a in activities(facts) if a.mark]
    assert marked == ["Getting used to the appliance", *ROUTINE]
    assert {a.mark for a in activities(facts)} == {"", "common practice"}


STOP = "Stop wearing the appliance. Leave the appliance out until you are seen. Call your dental office today."
THIS_WEEK = rows(
    ("advance", LOUD, "Set the appliance to 2 mm on both sides. Then leave it there. Wear it every night."),
    (
        "hold",
        case(settings=(setting(5, "1"),), check_ins=(good_check_in(1, snoring="7"),)),
        "Keep the appliance at 1 mm on both sides. Wear it every night.",
    ),
    ("severe pain: it stays out", case(side_effects=(side_effect(3, 1),)), STOP),
    ("a locked jaw: it stays out", case(red_flags=(red_flag(RedFlagKind.LOCKED_JAW),)), STOP),
    (
        "drowsy driving: worn on, at the same setting",
        case(red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING),)),
        "Do not drive until your doctor says it is safe. Call your doctor today. Keep the appliance at 2 mm on both sides.",
    ),
    (
        "drowsy driving and a broken appliance: do not drive first, then stop, then whom to call",
        case(red_flags=(red_flag(RedFlagKind.DROWSY_DRIVING), red_flag(RedFlagKind.BROKEN_APPLIANCE))),
        f"Do not drive until your doctor says it is safe. {STOP} Call your doctor today.",
    ),
    (
        "worse sleepiness: the doctor within two working days",
        case(red_flags=(red_flag(RedFlagKind.WORSE_SLEEPINESS),)),
        "Call your doctor by 1 Oct 2026. Keep the appliance at 2 mm on both sides.",
    ),
    (
        "worse sleepiness, and those days are over: today",
        case(red_flags=(red_flag(RedFlagKind.WORSE_SLEEPINESS, 8),)),
        "Call your doctor today. Keep the appliance",
    ),
    (
        "moderate pain: the dental office within 7 days of its onset",
        case(side_effects=(side_effect(2, 2),)),
        "Call your dental office by 5 Oct 2026. Keep the appliance at 2 mm on both sides.",
    ),
    (
        "an order: kept as it is until the test",
        case(test_orders=(order(2),)),
        "Keep the appliance at 2 mm on both sides. Do not change it until the sleep test. Wear it on the night of the test.",
    ),
    (
        "the physician reads the test of this setting: no hurry, nothing to call about",
        case(sleep_tests=TESTED),
        "Keep the appliance at 2 mm on both sides. Wear it every night.",
    ),
    (
        "a review that is not urgent",
        case(settings=(setting(21, "2", "3"),)),
        "Call your dental office. Keep the appliance at 2 mm left and 3 mm",
    ),
)


@pytest.mark.parametrize(("facts", "says"), THIS_WEEK)
def test_this_week(facts, says):
    found = one(facts, "This week")
    assert found.instruction.startswith(says)
    assert found.instruction.endswith("What your dentist tells you comes first.")
    assert found.mark == ""


NEXT_CHECK_IN = rows(
    ("a week after the last", case(check_ins=(good_check_in(3),)), "4 Oct 2026"),
    ("a week after the setting", case(settings=(setting(2, "2"),), check_ins=()), "5 Oct 2026"),
    ("overdue: today", case(check_ins=(good_check_in(13),)), "30 Sep 2026"),
    ("of the check-ins the last", case(check_ins=(good_check_in(13), good_check_in(6))), "1 Oct 2026"),
)


@pytest.mark.parametrize(("facts", "due"), NEXT_CHECK_IN)
def test_next_check_in(facts, due):
    found = one(facts, "This week")
    assert f"Tell us how you are by {due}." in found.instruction
    assert found.when == f"until {due}"


def seen(days_ago, office):
    return Visit(source(f"seen-{days_ago}-{office}"), ago(days_ago), office)


def test_next_visits_overdue_due_and_to_come():
    late = one(case(appliances=(appliance(50),)), "Next visit: dentist")
    assert late.instruction == "You were due to see your dentist on 10 Sep 2026. Please make a new date now."
    assert (late.when, late.status) == ("from 10 Sep 2026", "scheduled")
    coming = one(case(appliances=(appliance(20),)), "Next visit: physician")
    assert coming.instruction == "Go to see your doctor. Choose a day from 10 Oct 2026 to 24 Oct 2026."
    met = case(appliances=(appliance(50),), visits=(seen(20, Office.DENTIST), seen(20, Office.PHYSICIAN)))
    then = one(met, "Next visit: dentist").instruction
    assert then == "Go to see your dentist. Choose a day from 10 Oct 2026 to 9 Nov 2026."
    all_met = case(appliances=(appliance(50),), visits=(seen(2, Office.DENTIST),))
    assert "Next visit: dentist" not in titles(all_met) and "Next visit: physician" in titles(all_met)


TESTS = rows(
    ("ready", READY, "not-started", "Your doctor may order a sleep test."),
    ("ordered", case(test_orders=(order(1),)), "scheduled", "Wear it every night. Keep it as it is set now."),
)


@pytest.mark.parametrize(("facts", "status", "says"), TESTS)
def test_efficacy_test(facts, status, says):
    found = one(facts, "Efficacy test")
    assert found.status == status and found.instruction.startswith(says)


def test_the_stage_stands_first_with_its_reason():
    first = activities(READY)[0]
    assert (first.title, first.instruction, first.status) == ("Next: physician", stage(READY).why, "in-progress")
    waiting = activities(CaseFacts(referral=referral(ReferralState.REQUESTED)))[0]
    assert (waiting.instruction, waiting.status) == (
        stage(CaseFacts(referral=referral(ReferralState.REQUESTED))).why,
        "scheduled",
    )


def test_cautions_name_whom_to_call():
    found = one(READY, "Cautions")
    dental, doctors = found.instruction.split(" Call your dental office today. ")
    assert dental.endswith("Does your jaw lock? Is a tooth loose? Did the appliance break?")
    assert "sleepy at the wheel?" in doctors and doctors.endswith("more sleepy by day? Call your doctor today.")
    assert found.instruction.startswith("Do not drive when you feel sleepy.")
    assert found.call == ("dentist", "physician")


def test_a_late_report_is_asked_for():
    """Nothing heard for 14 days."""
    late = case(settings=(setting(40, "2"),), check_ins=(good_check_in(14),))
    assert "We have not heard from you since 16 Sep 2026." in one(late, "This week").instruction
    in_time = case(settings=(setting(40, "2"),), check_ins=(good_check_in(13),))
    assert "Tell us how you are by 30 Sep 2026." in one(in_time, "This week").instruction
