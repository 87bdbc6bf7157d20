"""Follow-up: what leads back to the physician, the bite, visits, and whose move it is."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party
from service.rules.facts import CaseFacts, DentalAssessment, Visit
from service.rules.follow_up import follow_up
from service.rules.kinds import Office, PhysicianChoice, RedFlagKind
from service.rules.source import Moment
from service.rules.threshold import Mark

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    choice,
    dec,
    efficacy,
    good_check_in,
    red_flag,
    rows,
    side_effect,
    source,
)


def found(facts):
    answer = follow_up(facts, DEFAULTS, AS_OF)
    assert answer is not None
    return answer


def judged(facts, name):
    return found(facts).decision.criterion(name)


SEEN = (
    Visit(source("seen-dentist"), ago(3), Office.DENTIST),
    Visit(source("seen-physician"), ago(3), Office.PHYSICIAN),
)
QUIET = case(visits=SEEN)


def weighed(days_ago, kg):
    return check_in(days_ago, name="weighed", weight_kg=dec(kg))


# A change of weight by 10 % since the test: policy of this project.
WEIGHT = rows(
    ("9.9 % more", (weighed(30, "100"), weighed(1, "109.9")), "met", "9.9"),
    ("10 % more", (weighed(30, "100"), weighed(1, "110")), "attention", "10"),
    ("10 % less", (weighed(30, "100"), weighed(1, "90")), "attention", "-10"),
    ("unchanged", (weighed(30, "100"), weighed(1, "100")), "met", "0"),
    ("against the last weight up to the test", (weighed(40, "80"), weighed(30, "100"), weighed(1, "101")), "met", "1"),
    ("on the day of the test", (weighed(40, "80"), weighed(20, "100"), weighed(1, "101")), "met", "1"),
    ("first weight only after the test", (weighed(10, "100"), weighed(1, "111")), "attention", "11"),
    (
        "two weights of one moment: the higher is the later",
        (weighed(30, "100"), replace(weighed(1, "104"), source=source("z")), weighed(1, "110")),
        "attention",
        "10",
    ),
    ("one weight", (weighed(1, "111"),), "unknown", None),
    ("none since the test", (weighed(40, "80"), weighed(30, "100")), "unknown", None),
    ("none", (), "unknown", None),
)


@pytest.mark.parametrize(("check_ins", "status", "change"), WEIGHT)
def test_change_of_weight(check_ins, status, change):
    item = judged(replace(QUIET, check_ins=check_ins, sleep_tests=(baseline(), efficacy(20))), "weight-change")
    assert item.status == status
    assert [m.value for m in item.observed] == ([] if change is None else [Decimal(change)])
    assert bool(item.needs) == (status == "attention")
    assert bool(item.missing) == (status == "unknown")


def test_change_of_weight_without_a_test_is_from_the_first_one_told():
    facts = replace(QUIET, check_ins=(weighed(50, "100"), weighed(20, "104"), weighed(1, "112")))
    item = judged(facts, "weight-change")
    assert item.sentence.startswith("Weight 112 kg on 29 Sep 2026, 12 % more than 100 kg on 11 Aug 2026;")
    assert [s.reference for s in item.inputs] == ["Observation/weighed-1", "Observation/weighed-50"]
    less = replace(QUIET, check_ins=(weighed(50, "100"), weighed(1, "95")))
    assert "5 % less than 100 kg" in judged(less, "weight-change").sentence
    same = replace(QUIET, check_ins=(weighed(50, "100"), weighed(1, "100")))
    assert "unchanged against" in judged(same, "weight-change").sentence
    blank = replace(QUIET, check_ins=(weighed(50, "100"), weighed(20, "120")), sleep_tests=(efficacy(30, None),))
    assert judged(blank, "weight-change").observed[0].value == 20


BROKEN = rows(
    ("in use", QUIET, "met"),
    ("reported broken", replace(QUIET, red_flags=(red_flag(RedFlagKind.BROKEN_APPLIANCE, 2),)), "attention"),
    ("broken and repaired", replace(QUIET, red_flags=(red_flag(RedFlagKind.BROKEN_APPLIANCE, 5, 2),)), "met"),
    ("a loose tooth is another matter", replace(QUIET, red_flags=(red_flag(RedFlagKind.LOOSE_TOOTH, 2),)), "met"),
    ("out of use since today", replace(QUIET, appliances=(appliance(ended=0),)), "attention"),
    ("out of use from tomorrow", replace(QUIET, appliances=(appliance(ended=-1),)), "met"),
)


@pytest.mark.parametrize(("facts", "status"), BROKEN)
def test_appliance_broken_or_lost(facts, status):
    item = judged(facts, "appliance-broken-or-lost")
    assert item.status == status
    assert bool(item.needs) == (status == "attention")
    assert item.inputs


BITE = (
    DentalAssessment(source("bite-then"), Moment(ago(400)), overjet_mm=Decimal(4), overbite_mm=Decimal(3)),
    DentalAssessment(source("bite-now"), Moment(ago(10)), overjet_mm=Decimal(2), overbite_mm=Decimal(3)),
)
RELAPSED = replace(
    QUIET, sleep_tests=(baseline(), efficacy(9)), check_ins=(good_check_in(14), good_check_in(2, snoring="7"))
)
TRIGGERS = rows(
    ("symptoms after a good test", RELAPSED, "symptoms after a good test"),
    (
        "weight",
        replace(QUIET, check_ins=(weighed(50, "100"), weighed(1, "112"))),
        "change of weight",
    ),
    ("broken", replace(QUIET, red_flags=(red_flag(RedFlagKind.BROKEN_APPLIANCE),)), "appliance broken or lost"),
    (
        "wear falling",
        replace(QUIET, check_ins=(good_check_in(40), good_check_in(1, nights_worn=4))),
        "wear falling",
    ),
    (
        "two at once",
        replace(RELAPSED, red_flags=(red_flag(RedFlagKind.BROKEN_APPLIANCE),)),
        "symptoms after a good test; and appliance broken or lost",
    ),
)


@pytest.mark.parametrize(("facts", "what"), TRIGGERS)
def test_back_to_the_physician(facts, what):
    decision = found(facts).decision
    assert (decision.outcome, decision.whose_move) == ("back-to-physician", Party.PHYSICIAN)
    assert decision.sentence == f"Back to the physician: {what}."


def test_what_is_the_dentists_is_said_beside_what_is_the_physicians():
    facts = replace(RELAPSED, assessments=BITE, side_effects=(side_effect(3, 5),))
    decision = found(facts).decision
    assert decision.whose_move == Party.PHYSICIAN
    assert decision.sentence == (
        "Back to the physician: symptoms after a good test. The dentist treats the jaw pain. "
        "The dentist reviews the bite: overjet decreasing fast."
    )


def test_a_side_effect_in_follow_up_is_the_dentists():
    decision = found(replace(QUIET, side_effects=(side_effect(2, 5),))).decision
    assert (decision.outcome, decision.whose_move) == ("dentist-review", Party.DENTIST)
    assert decision.sentence == "The dentist treats the jaw pain."
    assert found(replace(QUIET, side_effects=(side_effect(1, 5),))).decision.outcome == "nothing-due"


def test_symptoms_after_a_good_test_name_their_inputs():
    item = judged(RELAPSED, "symptoms-after-good-test")
    assert (item.status, item.needs) == ("attention", "the physician reviews the symptoms")
    assert "Observation/check-in-2" in {s.reference for s in item.inputs}
    assert {t.name for t in item.thresholds} >= {"snoring_settled", "normal_index"}
    assert judged(QUIET, "symptoms-after-good-test").status == "met"


def test_a_fast_change_of_the_bite_is_the_dentists():
    decision = found(replace(QUIET, assessments=BITE)).decision
    assert (decision.outcome, decision.whose_move) == ("dentist-review", Party.DENTIST)
    assert decision.sentence == "The dentist reviews the bite: overjet decreasing fast."


OUTCOMES = rows(
    ("both seen", QUIET, "nothing-due", Party.NOBODY),
    ("nobody seen", case(appliances=(appliance(50),)), "visit-overdue", Party.DENTIST),
    ("the physician not seen", case(appliances=(appliance(50),), visits=SEEN[:1]), "visit-overdue", Party.PHYSICIAN),
    ("due", case(appliances=(appliance(35),)), "visit-due", Party.DENTIST),
    ("due at the physician", case(appliances=(appliance(35),), visits=SEEN[:1]), "visit-due", Party.PHYSICIAN),
    ("to come", case(appliances=(appliance(5),)), "nothing-due", Party.NOBODY),
    (
        "stopped",
        case(physician_decisions=(choice(2, PhysicianChoice.STOP),), sleep_tests=()),
        "nothing-due",
        Party.NOBODY,
    ),
)


@pytest.mark.parametrize(("facts", "outcome", "mover"), OUTCOMES)
def test_visits_and_whose_move(facts, outcome, mover):
    decision = found(facts).decision
    assert (decision.outcome, decision.whose_move) == (outcome, mover)
    item = decision.criterion("visits")
    assert item.status == ("unmet" if outcome == "visit-overdue" else "met")
    assert bool(item.needs) == (outcome == "visit-overdue")


def test_sentences_of_visits():
    decision = found(case(appliances=(appliance(50),))).decision
    assert decision.sentence == (
        "The visits to the dentist and the physician were due on 10 Sep 2026 and are overdue since 24 Sep 2026."
    )
    assert next(t for t in decision.thresholds if t.name == "first_visit_days").mark is Mark.MEMORY
    assert decision.criterion("visits").needs == "the patient sees the dentist and the physician"
    assert found(case(appliances=(appliance(5),))).decision.sentence == (
        "Nothing is due. The next visits to the dentist and the physician are due on 25 Oct 2026."
    )
    stopped = case(physician_decisions=(choice(2, PhysicianChoice.STOP),), sleep_tests=())
    assert found(stopped).decision.sentence == "No visit is planned on 30 Sep 2026."
    assert found(QUIET).decision.sentence == "Every planned visit was kept by 30 Sep 2026."


def test_the_answer_as_data():
    data = found(QUIET).as_data()
    assert (data["rule"], data["rule_version"], data["outcome"]) == ("follow-up", "2.1.0", "nothing-due")
    assert [v["state"] for v in data["visits"]] == ["kept"] * 4
    assert [c["name"] for c in data["criteria"]] == [
        "symptoms-after-good-test",
        "weight-change",
        "appliance-broken-or-lost",
        "wear-falling",
        "tolerated",
        "adherent-by-hours",
        "adherent-by-share-of-sleep",
        "overjet-change",
        "overbite-change",
        "visits",
    ]
    assert {"reference": "Observation/seen-dentist", "version": 1} in data["inputs"]
    assert {"first_visit_days", "yearly_days", "visit_grace_days"} <= {t["name"] for t in data["thresholds"]}


def test_nothing_before_a_delivery():
    assert follow_up(CaseFacts(), DEFAULTS, AS_OF) is None
    assert follow_up(case(appliances=(appliance(-1),)), DEFAULTS, AS_OF) is None


def test_follow_up_is_never_called_urgent():
    assert found(QUIET).decision.urgent is found(RELAPSED).decision.urgent is False
