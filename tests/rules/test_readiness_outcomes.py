"""Whole cases: every outcome of readiness with its sentence, dates, mover, inputs and thresholds."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party, Readiness
from service.rules.facts import CaseFacts, PhysicianDecision
from service.rules.kinds import Office, PhysicianChoice, RedFlagKind

from .build import (
    AS_OF,
    READY,
    ago,
    appliance,
    baseline,
    case,
    check_in,
    choice,
    efficacy,
    good_check_in,
    order,
    readiness,
    red_flag,
    rows,
    setting,
    side_effect,
)

LOUD = (check_in(70, epworth_total=12), good_check_in(14, snoring="6"), good_check_in(7, snoring="5"))


def test_ready():
    decision = readiness(READY)
    assert decision.outcome == Readiness.READY
    assert decision.sentence == (
        "Ready for an efficacy test: 2 mm on both sides since 9 Sep 2026, worn, tolerated and with symptoms settled. "
        "Feeling better does not prove that it works; the physician orders the test."
    )
    assert (decision.whose_move, decision.urgent, decision.earliest) == (Party.PHYSICIAN, False, AS_OF)
    assert decision.missing == ()
    assert {c.status.value for c in decision.criteria} == {"met"}


def test_a_decision_lists_exactly_the_inputs_it_read():
    assert [s.reference.removeprefix("Observation/") for s in readiness(READY).inputs] == [
        "appliance-60",
        "baseline-120-24",
        "check-in-14",
        "check-in-7",
        "setting-21-2-2",
    ]
    corrected = replace(READY.appliances[0], source=READY.appliances[0].source._replace(version=3))
    assert 3 in {s.version for s in readiness(case(appliances=(corrected,))).inputs}


def test_a_decision_lists_the_thresholds_it_compared_with_and_their_marks():
    decision = readiness(READY)
    assert {t.name: t.mark.value for t in decision.thresholds} == {
        "stable_days": "policy",
        "even_within_mm": "policy",
        "wear_nights_needed": "policy",
        "wear_share": "published",
        "wear_hours": "published",
        "wear_recent_days": "policy",
        "snoring_settled": "from memory",
        "check_ins_needed": "policy",
        "check_in_fresh_days": "policy",
        "restedness_settled": "policy",
        "side_effect_grade": "policy",
        "normal_index": "published",
    }
    data = decision.as_data()
    assert (data["rule"], data["rule_version"], data["as_of"]) == (
        "readiness-for-efficacy-test",
        "2.1.0",
        "2026-09-30",
    )
    assert {t["name"] for t in data["thresholds"]} == {n for c in data["criteria"] for n in c["thresholds"]}


NOT_YET = rows(
    (
        "set nine days ago: time alone",
        case(
            settings=(setting(9, "2"),),
            check_ins=(good_check_in(8), good_check_in(1, nights_reported=8, nights_worn=8)),
        ),
        "the setting is not stable; the earliest date is 5 Oct 2026.",
        Party.PATIENT,
        -5,
    ),
    (
        "still snoring at the last check-in",
        case(check_ins=(good_check_in(10), good_check_in(3, snoring="7"))),
        "snoring is not settled; the earliest date is 11 Oct 2026.",
        Party.PATIENT,
        -11,
    ),
    (
        "sides uneven: the dentist acts",
        case(settings=(setting(21, "2", "3"),)),
        "the setting is not stable; first, the dentist evens the sides or records the difference as intended.",
        Party.DENTIST,
        None,
    ),
    (
        "jaw pain of grade 2: the dentist acts",
        case(side_effects=(side_effect(2, 5),)),
        "a side effect is not tolerated; first, the dentist treats the jaw pain.",
        Party.DENTIST,
        None,
    ),
    (
        "already tested at this setting, and nothing changed since the physician asked for more",
        case(
            sleep_tests=(baseline(), efficacy(3)), physician_decisions=(choice(2, PhysicianChoice.ADVANCE_AND_RETEST),)
        ),
        "this setting was already tested; first, the physician decides on the result of that test.",
        Party.PHYSICIAN,
        None,
    ),
    (
        "appliance out of use: the dentist acts",
        case(appliances=(appliance(ended=2),)),
        "the appliance is out of use; first, the dental office repairs or replaces the appliance.",
        Party.DENTIST,
        None,
    ),
    (
        "loud, and the baseline is not known: the laboratory acts first",
        case(check_ins=LOUD, sleep_tests=()),
        "snoring is not settled; first, the sleep laboratory sends the baseline test.",
        Party.SLEEP_LAB,
        None,
    ),
    (
        "pauses witnessed and restless",
        case(check_ins=(good_check_in(9), good_check_in(2, witnessed_pauses=True, restedness="3"))),
        "sleepiness is not settled and pauses in breathing were witnessed; the earliest date is 12 Oct 2026.",
        Party.PATIENT,
        -12,
    ),
)


@pytest.mark.parametrize(("facts", "sentence", "mover", "earliest"), NOT_YET)
def test_not_yet(facts, sentence, mover, earliest):
    decision = readiness(facts)
    assert decision.outcome == Readiness.NOT_YET
    assert decision.sentence == f"Not yet ready for an efficacy test: {sentence}"
    assert decision.whose_move == mover
    assert decision.earliest == (None if earliest is None else ago(earliest))
    for item in decision.criteria:
        assert item.status != "unmet" or bool(item.earliest) != bool(item.needs)


CANNOT_SAY = rows(
    (
        "no baseline",
        case(sleep_tests=()),
        ("a baseline test with an AHI, REI or RDI",),
        Party.SLEEP_LAB,
        None,
    ),
    (
        "no check-in since the setting",
        case(check_ins=()),
        (
            "wear over 7 nights since the current setting",
            "snoring at 2 more check-ins since the current setting",
            "sleepiness by an Epworth total or by restedness at 2 more check-ins since the current setting",
        ),
        Party.PATIENT,
        -8,
    ),
    ("no setting", case(settings=(), check_ins=(), sleep_tests=(baseline(),)), None, Party.DENTIST, None),
    ("nothing at all", CaseFacts(), None, Party.DENTIST, None),
    (
        "one check-in so far, setting already stable",
        case(check_ins=(good_check_in(2),)),
        (
            "snoring at 1 more check-in since the current setting",
            "sleepiness by an Epworth total or by restedness at 1 more check-in since the current setting",
        ),
        Party.PATIENT,
        -5,
    ),
)


@pytest.mark.parametrize(("facts", "missing", "mover", "earliest"), CANNOT_SAY)
def test_cannot_say(facts, missing, mover, earliest):
    decision = readiness(facts)
    assert decision.outcome == Readiness.CANNOT_SAY
    assert missing is None or decision.missing == missing
    waiting = () if facts.settings else ("worn-enough", "snoring-settled", "sleepiness-settled")
    for item in decision.criteria:
        # What can be told only once there is a setting is not asked for in the sentence.
        assert (item.missing in decision.sentence) is (item.name not in waiting), decision.sentence
    assert decision.sentence.startswith("Readiness cannot be judged yet: ")
    assert decision.whose_move == mover
    assert decision.earliest == (None if earliest is None else ago(earliest))


def test_time_alone_makes_a_young_setting_ready_on_the_date_foretold():
    facts = case(settings=(setting(12, "2"),), check_ins=(good_check_in(8), good_check_in(1)))
    decision = readiness(facts)
    assert (decision.outcome, decision.earliest) == (Readiness.NOT_YET, ago(-2))
    assert readiness(facts, ago(-1)).outcome == Readiness.NOT_YET
    assert readiness(facts, ago(-2)).outcome == Readiness.READY


def test_the_epworth_before_treatment_is_read_as_an_input():
    since = (good_check_in(14), good_check_in(7, epworth_total=9))
    decision = readiness(case(check_ins=(check_in(70, epworth_total=12), *since)))
    assert "Observation/check-in-70" in {s.reference for s in decision.inputs}
    assert {"epworth_settled", "epworth_change"} <= {t.name for t in decision.thresholds}
    assert decision.criterion("sleepiness-settled").observed[0].value == Decimal(9)


# Who acts before any criterion is asked: the first that applies, in the order of the written rule.
TESTED = (baseline(), efficacy(3))
CONTINUED = (choice(2, PhysicianChoice.CONTINUE),)
PRECEDENCE = rows(
    (
        "a ready case with an order: frozen until the test",
        {"test_orders": (order(5),)},
        Readiness.ORDERED,
        Party.SLEEP_LAB,
    ),
    ("a result waits", {"sleep_tests": TESTED}, Readiness.RESULT_IN, Party.PHYSICIAN),
    (
        "decided: follow-up, though the setting was tested already",
        {"sleep_tests": TESTED, "physician_decisions": CONTINUED},
        Readiness.DECIDED,
        Party.DENTIST,
    ),
    (
        "ordered again after the decision",
        {"sleep_tests": TESTED, "physician_decisions": CONTINUED, "test_orders": (order(1),)},
        Readiness.ORDERED,
        Party.SLEEP_LAB,
    ),
    (
        "an order that its test has spent",
        {"sleep_tests": TESTED, "test_orders": (order(5),)},
        Readiness.RESULT_IN,
        Party.PHYSICIAN,
    ),
    (
        "an order of the day of the test is spent",
        {"sleep_tests": TESTED, "test_orders": (order(3),)},
        Readiness.RESULT_IN,
        Party.PHYSICIAN,
    ),
    (
        "grade 3 stops an ordered test",
        {"test_orders": (order(5),), "side_effects": (side_effect(3, 1),)},
        Readiness.STOP_AND_REVIEW,
        Party.DENTIST,
    ),
    (
        "a red flag comes before a result",
        {"sleep_tests": TESTED, "red_flags": (red_flag(RedFlagKind.DROWSY_DRIVING),)},
        Readiness.STOP_AND_REVIEW,
        Party.PHYSICIAN,
    ),
)


@pytest.mark.parametrize(("changes", "outcome", "mover"), PRECEDENCE)
def test_the_first_that_applies_settles_it(changes, outcome, mover):
    decision = readiness(case(**changes))
    assert (decision.outcome, decision.whose_move) == (outcome, mover)


def test_what_others_settled_names_the_record_that_settled_it():
    def read(**changes) -> set[str]:
        return {s.reference.removeprefix("Observation/") for s in readiness(case(**changes)).inputs}

    assert "order-5" in read(test_orders=(order(5),))
    assert {"efficacy-3-6", "baseline-120-24"} <= read(sleep_tests=TESTED)
    assert "decision-2-continue-treatment" in read(sleep_tests=TESTED, physician_decisions=CONTINUED)


# An open order freezes the setting; harm since then asks the physician "still test?".
HARM = rows(
    ("nothing happened", {}, Party.SLEEP_LAB),
    ("set back since the order", {"settings": (setting(40, "2"), setting(3, "1"))}, Party.PHYSICIAN),
    ("advanced against the freeze", {"settings": (setting(40, "2"), setting(3, "3"))}, Party.PHYSICIAN),
    (
        "changed on the day of the order: ordered for that setting",
        {"settings": (setting(40, "2"), setting(5, "1"))},
        Party.SLEEP_LAB,
    ),
    ("the appliance is out of use", {"appliances": (appliance(ended=1),)}, Party.PHYSICIAN),
    ("grade 2", {"side_effects": (side_effect(2, 1),)}, Party.PHYSICIAN),
    ("grade 1 is no harm", {"side_effects": (side_effect(1, 1),)}, Party.SLEEP_LAB),
)


@pytest.mark.parametrize(("changes", "mover"), HARM)
def test_an_order_after_harm_asks_whether_still_to_test(changes, mover):
    decision = readiness(case(test_orders=(order(5),), **changes))
    assert (decision.outcome, decision.whose_move) == (Readiness.ORDERED, mover)
    assert ("still test?" in decision.sentence) == (mover is Party.PHYSICIAN)


def test_a_combination_names_who_starts_it_and_by_when():
    decided = choice(2, PhysicianChoice.COMBINE_OR_CHANGE)
    told = PhysicianDecision(decided.source, decided.moment, decided.choice, None, Office.DENTIST, ago(-20))
    assigned = readiness(case(sleep_tests=TESTED, physician_decisions=(told,)))
    assert (assigned.outcome, assigned.whose_move, assigned.until) == (Readiness.DECIDED, Party.DENTIST, ago(-20))
    untold = readiness(case(sleep_tests=TESTED, physician_decisions=(decided,)))
    assert (untold.whose_move, untold.sentence.id) == (Party.PHYSICIAN, "ready.decided-unassigned")


def test_a_report_the_laboratory_completes_is_its_move():
    untold = readiness(case(sleep_tests=(baseline(), efficacy(3, hours=None))))
    assert (untold.outcome, untold.whose_move, untold.sentence.id) == (
        Readiness.RESULT_IN,
        Party.SLEEP_LAB,
        "ready.result-laboratory",
    )


ALARMED = efficacy(10, "4", t90_percent=Decimal(35))
"""Oxygen for the physician to look at the same day, behind an index that looks good."""


@pytest.mark.parametrize(
    ("changes", "outcome", "since"),
    [
        ({"sleep_tests": (baseline(), ALARMED)}, Readiness.RESULT_IN, 10),
        ({"sleep_tests": (baseline(), ALARMED, efficacy(3, "4", t90_percent=Decimal(1)))}, Readiness.RESULT_IN, 10),
        ({"sleep_tests": (baseline(), ALARMED, efficacy(3, "4", t90_percent=Decimal(12)))}, Readiness.RESULT_IN, 10),
        ({"sleep_tests": (baseline(), ALARMED), "appliances": (appliance(60), appliance(5))}, Readiness.RESULT_IN, 10),
        (
            {
                "sleep_tests": (baseline(), ALARMED),
                "physician_decisions": (choice(9, PhysicianChoice.STOP),),
            },
            Readiness.DECIDED,
            None,
        ),
    ],
    ids=[
        "unanswered",
        "a later clean test answers nothing",
        "nor does a lesser alarm",
        "nor does another appliance",
        "a decision answers",
    ],
)
def test_an_alarm_waits_for_a_decision(changes, outcome, since):
    """Policy: withheld or not, tested again or not, what needs the physician the same day stays with the physician."""
    decision = readiness(case(**changes))
    assert decision.outcome == outcome
    assert decision.until == (ago(since) if since else None)
    if since:
        assert (decision.whose_move, decision.urgent) == (Party.PHYSICIAN, True)
