"""What leads back to the physician stays open until the physician has dealt with it, and opens again when it grows."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party
from service.rules.facts import Visit
from service.rules.follow_up import follow_up
from service.rules.kinds import Office, PhysicianChoice

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    choice,
    efficacy,
    good_check_in,
    order,
    rows,
    source,
)

PHYSICIAN = {"visits": (Visit(source("seen"), ago(5), Office.PHYSICIAN),)}
DENTIST = {"visits": (Visit(source("seen"), ago(5), Office.DENTIST),)}
ORDERED = {"test_orders": (order(5),)}
DECIDED = {"physician_decisions": (choice(5, PhysicianChoice.CONTINUE),)}
BEFORE_ONLY = {"visits": (Visit(source("seen"), ago(12), Office.PHYSICIAN),)}
SAME_DAY = {"visits": (Visit(source("seen"), ago(10), Office.PHYSICIAN),)}
DAY_AFTER = {"visits": (Visit(source("seen"), ago(9), Office.PHYSICIAN),)}


def weighed(days_ago, kg):
    return check_in(days_ago, "weighed", weight_kg=Decimal(kg))


def judged(name, **changes):
    answer = follow_up(case(**changes), DEFAULTS, AS_OF)
    assert answer
    return answer.decision.criterion(name)


HEAVIER = (weighed(50, 80), weighed(10, 90))
ANSWERS = rows(
    ("nobody has answered", {}, "attention"),
    ("seen by the physician since", PHYSICIAN, "met"),
    ("seen by the dentist only", DENTIST, "attention"),
    ("the physician ordered a test since", ORDERED, "met"),
    ("the physician decided since", DECIDED, "met"),
    ("seen before the weight was told", BEFORE_ONLY, "attention"),
    ("seen on the day: which came first is not known", SAME_DAY, "attention"),
    ("seen on the day after", DAY_AFTER, "met"),
)


@pytest.mark.parametrize(("answer", "status"), ANSWERS)
def test_what_the_physician_has_dealt_with_is_not_asked_again(answer, status):
    item = judged("weight-change", check_ins=HEAVIER, **answer)
    assert item.status == status
    assert ("The physician has dealt with it since, on" in item.sentence) is (status == "met")
    assert bool(item.needs) == (status == "attention")
    # Whatever became of it, the change itself stays in the answer.
    assert "12.5 % more than 80 kg on 11 Aug 2026" in item.sentence and item.observed[0].value == Decimal("12.5")


def test_the_day_of_the_answer_is_that_of_the_last_act():
    both = {**ORDERED, "visits": (Visit(source("seen"), ago(3), Office.PHYSICIAN),)}
    assert judged("weight-change", check_ins=HEAVIER, **both).sentence.endswith("dealt with it since, on 27 Sep 2026.")


GROWING = rows(
    ("as heavy as when the physician saw it", 90, "met"),
    ("a little heavier", 98, "met"),
    ("heavier by another tenth", 99, "attention"),
    ("back to what it was at the test", 81, "met"),
)


@pytest.mark.parametrize(("kg", "status"), GROWING)
def test_a_change_that_grows_after_the_answer_leads_back_again(kg, status):
    item = judged("weight-change", check_ins=(*HEAVIER, weighed(1, kg)), **PHYSICIAN)
    assert item.status == status
    if status == "attention":
        assert item.sentence.id == "trigger.weight-more"
        assert (item.sentence.values["before"], item.sentence.values["from_on"]) == (90, ago(10))
        assert "10 % more than 90 kg on 20 Sep 2026" in item.sentence


def test_a_first_change_after_an_act_that_had_nothing_to_answer():
    item = judged("weight-change", check_ins=(weighed(50, 80), weighed(1, 90)), **PHYSICIAN)
    assert (item.status, "12.5 % more than 80 kg" in item.sentence) == ("attention", True)
    # Two slow rises, each under a tenth, are one rise above it: the last visit does not hide the first.
    slow = judged("weight-change", check_ins=(weighed(50, 80), weighed(10, 86), weighed(1, 89)), **PHYSICIAN)
    assert (slow.status, slow.observed[0].value) == ("attention", Decimal("11.3"))


LESS_WORN = (good_check_in(50), good_check_in(43), good_check_in(10, nights_worn=4), good_check_in(3, nights_worn=4))


def test_wear_that_fell_is_asked_once():
    assert judged("wear-falling", check_ins=LESS_WORN).status == "attention"
    assert judged("wear-falling", check_ins=LESS_WORN, **PHYSICIAN).status == "met"
    assert judged("wear-falling", check_ins=LESS_WORN, **BEFORE_ONLY).status == "attention"


def test_a_lost_appliance_goes_on_to_the_dentist_once_the_physician_knows():
    lost = {"appliances": (appliance(60, ended=10),), "check_ins": ()}
    first, then = (follow_up(case(**lost, **more), DEFAULTS, AS_OF) for more in ({}, PHYSICIAN))
    assert first and (first.decision.outcome, first.decision.whose_move) == ("back-to-physician", Party.PHYSICIAN)
    assert then and (then.decision.outcome, then.decision.whose_move) == ("dentist-review", Party.DENTIST)
    assert (then.decision.sentence, then.since) == ("The dental office repairs or replaces the appliance.", ago(10))


def test_symptoms_after_a_good_test_are_answered_by_an_order_too():
    back = {
        "sleep_tests": (baseline(), efficacy(20, "3")),
        "check_ins": (good_check_in(30), good_check_in(8, snoring="7")),
    }
    assert judged("symptoms-after-good-test", **back).status == "attention"
    assert judged("symptoms-after-good-test", **back, **ORDERED).status == "met"


def test_an_act_before_the_delivery_answers_nothing():
    early = {"test_orders": (order(70),), "check_ins": (weighed(50, 80), weighed(1, 90))}
    assert judged("weight-change", **early).status == "attention"
    on_the_day = {**early, "test_orders": (order(60),)}
    assert judged("weight-change", **on_the_day).status == "attention"


def test_several_triggers_are_answered_one_by_one():
    facts = case(
        check_ins=(*HEAVIER, *LESS_WORN[:2], replace(LESS_WORN[2], moment=good_check_in(2).moment)), **PHYSICIAN
    )
    answer = follow_up(facts, DEFAULTS, AS_OF)
    assert answer and answer.decision.sentence == "Back to the physician: wear falling."
    assert answer.decision.criterion("weight-change").status == "met"


@pytest.mark.parametrize(("patient", "partner"), [(86, 90), (90, 86)])
def test_of_two_weights_of_one_moment_the_higher_counts(patient, partner):
    two = (weighed(10, patient), replace(weighed(10, partner), source=source("a"), reported_by="bed-partner"))
    assert judged("weight-change", check_ins=(weighed(50, 80), *two)).observed[0].value == Decimal("12.5")


def test_of_many_weights_before_the_test_only_the_last_is_read():
    """However long a patient has been weighed before the test, one weight is what the next is compared with."""
    told = tuple(weighed(d, 80) for d in (50, 40, 30, 20))
    item = judged("weight-change", sleep_tests=(baseline(), efficacy(5, "8")), check_ins=told)
    assert item.status == "unknown"
    assert [s.reference for s in item.inputs] == ["Observation/weighed-20"]
