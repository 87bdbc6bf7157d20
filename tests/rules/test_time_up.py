"""No case waits for ever: twelve weeks, or settings in a row without a gain, and the physician is asked."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.course import course_on
from service.rules.decision import Party, Readiness, Step
from service.rules.kinds import PhysicianChoice
from service.rules.time_up import time_is_up, time_up_since
from service.rules.titration import next_step

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
    readiness,
    rows,
    setting,
    side_effect,
    stage,
)

LOUD = (good_check_in(14, snoring="6"), good_check_in(7, snoring="6"))


def unsettled(delivered, **changes):
    return case(**({"appliances": (appliance(delivered),), "check_ins": LOUD} | changes))


def why(facts, thresholds=DEFAULTS):
    found = time_is_up(course_on(facts, AS_OF, thresholds), thresholds)
    return found.id if found else None


WEEKS = rows(
    ("83 days after the delivery", unsettled(83), None),
    ("84 days: twelve weeks", unsettled(84), "ready.time-up"),
    ("a second appliance begins anew", unsettled(84, appliances=(appliance(84, ended=30), appliance(30))), None),
    (
        "the physician decided 83 days ago to keep titrating",
        unsettled(120, physician_decisions=(choice(83, PhysicianChoice.KEEP_TITRATING),)),
        None,
    ),
    ("84 days ago", unsettled(120, physician_decisions=(choice(84, PhysicianChoice.KEEP_TITRATING),)), "ready.time-up"),
    ("nothing delivered", case(appliances=()), None),
)


@pytest.mark.parametrize(("facts", "reason"), WEEKS)
def test_twelve_weeks(facts, reason):
    assert why(facts) == reason


def test_the_physician_is_asked_whether_to_test_anyway():
    decision = readiness(unsettled(84))
    assert (decision.outcome, decision.whose_move) == (Readiness.ASK_PHYSICIAN, Party.PHYSICIAN)
    assert decision.sentence.id == "ready.ask-test" and "snoring is not settled" in decision.sentence
    assert "titration_days" in {t.name for t in decision.thresholds}


def test_when_it_is_wear_that_is_unmet_another_therapy_is_asked_about():
    unworn = tuple(replace(c, nights_worn=3) for c in LOUD)
    decision = readiness(unsettled(84, check_ins=unworn))
    assert decision.sentence.id == "ready.ask-therapy"
    assert "the apnoea is untreated" in decision.sentence


FIRST = rows(
    ("all met: ready, the same test", {"check_ins": (good_check_in(14), good_check_in(7))}, Readiness.READY),
    ("at the limit: tested anyway", {"appliances": (appliance(84, maximum_advance_mm="2"),)}, Readiness.READY_AT_LIMIT),
    ("the dentist's no further", {"settings": (setting(21, "2", no_further="gag"),)}, Readiness.READY_AT_LIMIT),
    ("something unknown", {"sleep_tests": ()}, Readiness.ASK_PHYSICIAN),
    ("nothing told at all", {"check_ins": ()}, Readiness.ASK_PHYSICIAN),
    ("a result waits", {"sleep_tests": (baseline(), efficacy(3))}, Readiness.RESULT_IN),
)


@pytest.mark.parametrize(("changes", "outcome"), FIRST)
def test_what_comes_before_the_question(changes, outcome):
    assert readiness(unsettled(84, **changes)).outcome == outcome


def course_of(*snoring, every=10, epworth=None):
    """Settings from 0 mm on, a step each time, each with its best snoring; the last one `every` days ago."""
    settings, reports = [], []
    for i, value in enumerate(snoring):
        days = every * (len(snoring) - i)
        settings.append(setting(days, str(i)))
        if value is not None:
            total = {} if epworth is None else {"epworth_total": epworth[i]}
            reports.append(check_in(days - 5, snoring=value, **total))
    return case(appliances=(appliance(70),), settings=tuple(settings), check_ins=tuple(reports))


# 3 settings whose best snoring and best Epworth gain less than 2 each on those of the setting before them.
GAINS = rows(
    ("8, 8, 8, 8", course_of("8", "8", "8", "8"), "ready.no-gain"),
    ("gains of 1.9 each time", course_of("9", "7.1", "5.2", "3.3"), "ready.no-gain"),
    ("a gain of 2 at the last", course_of("8", "8", "8", "6"), None),
    ("a gain of 2 at the first of the three", course_of("8", "6", "6", "6"), None),
    ("a gain of 2 before the three", course_of("8", "6", "6", "6", "6"), "ready.no-gain"),
    ("only three settings", course_of("8", "8", "8"), None),
    ("worse is no gain", course_of("6", "7", "8", "9"), "ready.no-gain"),
    ("nothing told at the last: nothing to compare", course_of("8", "8", "8", None), None),
    ("snoring as before, Epworth 2 better at each", course_of("8", "8", "8", "8", epworth=(14, 12, 10, 8)), None),
    ("Epworth 1 better at each", course_of("8", "8", "8", "8", epworth=(14, 13, 12, 11)), "ready.no-gain"),
)


@pytest.mark.parametrize(("facts", "reason"), GAINS)
def test_settings_without_a_gain(facts, reason):
    assert why(facts) == reason


def test_the_best_answer_at_a_setting_counts():
    facts = course_of("8", "8", "8", "8")
    better = replace(facts, check_ins=(*facts.check_ins, check_in(3, snoring="6")))
    assert why(better) is None
    decided = replace(facts, physician_decisions=(choice(9, PhysicianChoice.KEEP_TITRATING),))
    assert why(decided) is None


def test_since_when_the_physician_is_asked():
    def since(facts):
        return time_up_since(course_on(facts, AS_OF, DEFAULTS), DEFAULTS)

    assert since(unsettled(90)) == ago(6)
    assert since(course_of("8", "8", "8", "8")) == ago(5)
    held = stage(unsettled(90))
    assert (held.whose_move, held.since) == (Party.PHYSICIAN, ago(6))


def test_a_site_gives_more_weeks_or_asks_sooner():
    longer = DEFAULTS.with_values({"titration_days": Decimal(182)})
    assert why(unsettled(181), longer) is None and why(unsettled(182), longer) == "ready.time-up"
    sooner = DEFAULTS.with_values({"settings_without_gain": Decimal(2)})
    assert why(course_of("8", "8", "8"), sooner) == "ready.no-gain"


def test_a_side_effect_is_the_dentists_before_the_physician_is_asked():
    """The time is up and the last step limits treatment: the physician is asked, and the dentist still takes the step back."""
    facts = case(
        appliances=(appliance(100),),
        settings=(setting(90, "1"), setting(20, "2")),
        check_ins=(good_check_in(8, snoring="7"), good_check_in(1, snoring="7")),
        side_effects=(side_effect(2, 15),),
    )
    decided = readiness(facts)
    step = next_step(facts, DEFAULTS, decided)
    assert decided.outcome == Readiness.ASK_PHYSICIAN
    assert step and (step.outcome, step.whose_move) == (Step.STEP_BACK, Party.DENTIST)


def test_a_side_effect_that_stops_wear_is_due_on_the_day_it_was_told():
    facts = case(side_effects=(side_effect(3, 4),))
    assert readiness(facts).until == ago(4)
