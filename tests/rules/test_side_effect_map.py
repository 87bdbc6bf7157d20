"""What a side effect does to titration, by its grade: slower, held, or the appliance out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.case_view import view_case
from service.rules.decision import Party, Readiness, Step
from service.rules.facts import CaseFacts
from service.rules.site import Site
from service.rules.week import Wear, this_week

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    case,
    good_check_in,
    order,
    readiness,
    rows,
    setting,
    side_effect,
    stage,
    step,
)


def titrating(onset=8, *effects, **more) -> CaseFacts:
    """At 1 mm after 0, loud, worn every night."""
    held = {
        "settings": (setting(40, "0"), setting(onset, "1")),
        "check_ins": (good_check_in(1, snoring="7"),),
        "side_effects": effects,
    }
    return case(**(held | more))


def week(facts):
    view = view_case(facts, Site(), AS_OF)
    assert view.step
    return this_week(view.course, view.stage, view.step, DEFAULTS)


# Grade 1 doubles the interval; 2 holds, the dentist within 7 days, no advance until 1 or less for 7 days; 3 stops wear.
GRADES = rows(
    ("no side effect, 7 days", titrating(7), Step.ADVANCE, Party.PATIENT),
    ("grade 0 says it is gone", titrating(7, side_effect(0, 3)), Step.ADVANCE, Party.PATIENT),
    ("grade 1, 7 days", titrating(7, side_effect(1, 3)), Step.HOLD, Party.PATIENT),
    ("grade 1, 13 days", titrating(13, side_effect(1, 3)), Step.HOLD, Party.PATIENT),
    ("grade 1, 14 days", titrating(14, side_effect(1, 3)), Step.ADVANCE, Party.PATIENT),
    ("grade 1 that has ended, 7 days", titrating(7, side_effect(1, 6, ended=1)), Step.ADVANCE, Party.PATIENT),
    ("grade 2, older than the step", titrating(20, side_effect(2, 30)), Step.HOLD, Party.DENTIST),
    ("grade 2 since the step for 3 days", titrating(20, side_effect(2, 3)), Step.HOLD, Party.DENTIST),
    (
        "grade 2 since the step for 4 days: step back is advised to the dentist",
        titrating(20, side_effect(2, 4)),
        Step.STEP_BACK,
        Party.DENTIST,
    ),
    ("grade 2 ended 6 days ago", titrating(20, side_effect(2, 15, ended=6)), Step.HOLD, Party.PATIENT),
    ("grade 2 ended 7 days ago", titrating(20, side_effect(2, 15, ended=7)), Step.ADVANCE, Party.PATIENT),
    (
        "grade 2 that became 1 six days ago",
        titrating(20, side_effect(2, 15), side_effect(1, 15, reported=6)),
        Step.HOLD,
        Party.PATIENT,
    ),
    (
        "grade 2 that became 1 seven days ago",
        titrating(20, side_effect(2, 15), side_effect(1, 15, reported=7)),
        Step.ADVANCE,
        Party.PATIENT,
    ),
    (
        "grade 3: it stays out, the dental office today",
        titrating(20, side_effect(3, 0)),
        Step.DENTIST_REVIEW,
        Party.DENTIST,
    ),
    (
        "one kind ended, another is open",
        titrating(20, side_effect(2, 25, ended=9), side_effect(2, 30, kind="gag")),
        Step.HOLD,
        Party.DENTIST,
    ),
)


@pytest.mark.parametrize(("facts", "outcome", "mover"), GRADES)
def test_what_a_grade_does_to_the_next_step(facts, outcome, mover):
    decided = step(facts)
    assert (decided.outcome, decided.whose_move) == (outcome, mover)


def test_the_dentist_sees_grade_2_within_7_days_and_grade_3_today():
    assert step(titrating(20, side_effect(2, 3))).until == ago(-4)
    severe = step(titrating(20, side_effect(3, 0)))
    assert (severe.until, severe.urgent, severe.sentence.id) == (AS_OF, True, "step.stop-wearing")


def test_grade_3_stops_wear_and_the_physician_is_told():
    facts = titrating(20, side_effect(3, 0))
    decision = readiness(facts)
    assert (decision.outcome, decision.whose_move) == (Readiness.STOP_AND_REVIEW, Party.DENTIST)
    assert "the appliance stays out" in decision.criteria[0].sentence
    held = week(facts)
    assert held.wear is Wear.STOP and held.call == ("dentist",)
    assert stage(facts).urgent


@pytest.mark.parametrize("grade", [0, 1, 2])
def test_below_grade_3_it_is_worn_on(grade):
    assert week(titrating(20, side_effect(grade, 3))).wear is Wear.WEAR


def test_grade_3_postpones_an_ordered_test():
    facts = titrating(20, side_effect(3, 0), test_orders=(order(2),))
    assert readiness(facts).outcome == Readiness.STOP_AND_REVIEW
    later = replace(facts, side_effects=(side_effect(3, 5, ended=0),))
    assert readiness(later).outcome == Readiness.ORDERED


def test_a_mild_effect_blocks_no_test_and_a_moderate_one_does():
    ready = case(side_effects=(side_effect(1, 5),), appliances=(appliance(60),))
    assert readiness(ready).outcome == Readiness.READY
    assert readiness(case(side_effects=(side_effect(2, 5),))).outcome == Readiness.NOT_YET
