"""Ready at the limit: symptoms unsettled, everything else met, and no way further forward."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.decision import Party, Readiness

from .build import (
    AS_OF,
    appliance,
    assessment,
    case,
    check_in,
    good_check_in,
    readiness,
    rows,
    setting,
    side_effect,
)

LOUD = (check_in(70, epworth_total=12), good_check_in(14, snoring="6"), good_check_in(7, snoring="5"))


AT_LIMIT = rows(
    (
        "the appliance's own limit",
        case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2"),)),
        "the appliance cannot be advanced further",
    ),
    (
        "less room than the appliance's smallest step",
        case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2.4", smallest_step_mm="0.5"),)),
        "the appliance cannot be advanced further",
    ),
    (
        "70 % of the range: 10 mm, 5 at the start, 2 advanced",
        case(check_ins=LOUD, appliances=(appliance(starting_position_mm="5"),), assessments=(assessment("10"),)),
        "the appliance cannot be advanced further",
    ),
    (
        "last step taken back, recorded as for a side effect",
        case(check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2", taken_back_for_side_effect=True))),
        "the last step was taken back for a side effect",
    ),
    (
        "last step taken back while a moderate side effect was open",
        case(
            check_ins=LOUD,
            settings=(setting(30, "3"), setting(21, "2")),
            side_effects=(side_effect(2, 28, ended=15, reported=28),),
        ),
        "the last step was taken back for a side effect",
    ),
    (
        "side effect open until the day of the step back",
        case(
            check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2")), side_effects=(side_effect(2, 28, ended=21),)
        ),
        "the last step was taken back for a side effect",
    ),
)


@pytest.mark.parametrize(("facts", "why"), AT_LIMIT)
def test_ready_at_limit(facts, why):
    decision = readiness(facts)
    assert decision.outcome == Readiness.READY_AT_LIMIT
    assert decision.sentence == (
        f"Ready for an efficacy test at the limit: snoring is not settled, but {why}. "
        "The physician reviews and decides on the test."
    )
    assert (decision.whose_move, decision.earliest) == (Party.PHYSICIAN, AS_OF)


def test_witnessed_pauses_at_the_limit_are_a_symptom_like_snoring():
    facts = case(
        check_ins=(good_check_in(14), good_check_in(7, witnessed_pauses=True)),
        appliances=(appliance(maximum_advance_mm="2"),),
    )
    decision = readiness(facts)
    assert decision.outcome == Readiness.READY_AT_LIMIT
    assert "pauses in breathing were witnessed" in decision.sentence


# The dentist's "no further: test now" waives symptoms only; stable, worn and tolerated stay. A site limit in whole steps of
# the appliance is a limit as well.
NO_FURTHER = rows(
    ("symptoms left: tested as it is", {}, Readiness.READY_AT_LIMIT),
    ("not stable for 14 days yet", {"settings": (setting(13, "2", no_further="gag"),)}, Readiness.NOT_YET),
    ("not worn enough", {"check_ins": tuple(replace(c, nights_worn=4) for c in LOUD[1:])}, Readiness.NOT_YET),
    ("not tolerated", {"side_effects": (side_effect(2, 9),)}, Readiness.NOT_YET),
    (
        "recorded at an earlier setting only",
        {"settings": (setting(40, "1", no_further="gag"), setting(21, "2"))},
        Readiness.NOT_YET,
    ),
    (
        "recorded later in the run",
        {"settings": (setting(21, "2"), setting(4, "2", no_further="gag"))},
        Readiness.READY_AT_LIMIT,
    ),
)


@pytest.mark.parametrize(("changes", "outcome"), NO_FURTHER)
def test_the_dentist_wants_no_further_step(changes, outcome):
    held = {"check_ins": LOUD, "settings": (setting(21, "2", no_further="gag"),)} | changes
    decision = readiness(case(**held))
    assert decision.outcome == outcome
    assert ("the dentist wants no further step (gag)" in decision.sentence) == (outcome == Readiness.READY_AT_LIMIT)


def test_no_whole_step_of_the_appliance_below_the_limit_is_the_limit():
    held = appliance(maximum_advance_mm="2.4", smallest_step_mm="0.5")
    assert readiness(case(check_ins=LOUD, appliances=(held,))).outcome == Readiness.READY_AT_LIMIT
    room = appliance(maximum_advance_mm="2.5", smallest_step_mm="0.5")
    assert readiness(case(check_ins=LOUD, appliances=(room,))).outcome == Readiness.NOT_YET


NOT_AT_LIMIT = rows(
    ("room for one smallest step", case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2.25"),))),
    (
        "70 % of 7 mm leaves exactly a quarter millimetre",
        case(
            check_ins=LOUD,
            settings=(setting(21, "1.65"),),
            appliances=(appliance(starting_position_mm="3"),),
            assessments=(assessment("7"),),
        ),
    ),
    ("range known, starting position not", case(check_ins=LOUD, assessments=(assessment("3"),))),
    ("no limit known", case(check_ins=LOUD)),
    ("taken back without a reason", case(check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2")))),
    (
        "taken back with a mild side effect only",
        case(
            check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2")), side_effects=(side_effect(1, 28, ended=15),)
        ),
    ),
    (
        "side effect gone since the day before the step back",
        case(
            check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2")), side_effects=(side_effect(2, 28, ended=22),)
        ),
    ),
    (
        "side effect gone two days before the step back",
        case(
            check_ins=LOUD, settings=(setting(30, "3"), setting(21, "2")), side_effects=(side_effect(2, 28, ended=23),)
        ),
    ),
    (
        "at the limit, but a grade 2 side effect is open as well",
        case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2"),), side_effects=(side_effect(2, 5),)),
    ),
    (
        "at the limit, but the baseline is unknown",
        case(check_ins=LOUD, appliances=(appliance(maximum_advance_mm="2"),), sleep_tests=()),
    ),
)


@pytest.mark.parametrize("facts", NOT_AT_LIMIT)
def test_not_ready_at_limit(facts):
    assert readiness(facts).outcome == Readiness.NOT_YET


def test_settled_symptoms_at_the_limit_are_simply_ready():
    assert readiness(case(appliances=(appliance(maximum_advance_mm="2"),))).outcome == Readiness.READY
