"""Ready at the limit: symptoms unsettled, everything else met, and no way further forward."""

from __future__ import annotations

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
    (
        "at the limit, symptoms settled, pauses seen",
        case(
            check_ins=(good_check_in(14), good_check_in(7, witnessed_pauses=True)),
            appliances=(appliance(maximum_advance_mm="2"),),
        ),
    ),
)


@pytest.mark.parametrize("facts", NOT_AT_LIMIT)
def test_not_ready_at_limit(facts):
    assert readiness(facts).outcome == Readiness.NOT_YET


def test_settled_symptoms_at_the_limit_are_simply_ready():
    assert readiness(case(appliances=(appliance(maximum_advance_mm="2"),))).outcome == Readiness.READY
