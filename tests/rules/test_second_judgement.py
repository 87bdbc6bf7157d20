"""The second judgement against the worked examples and check vectors, at its boundaries, and its random tests' reach."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from random import Random

import pytest

from service.rules.kinds import HypopnoeaRule, IndexName, Scoring, TestKind, TestPlace, TestPurpose, Worn
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from tests.rules.random_tests import random_pair
from tests.rules.second_judgement import (
    CAUSES,
    COMPLETE,
    CONSISTENCY,
    FINDINGS,
    NON_RESPONSE,
    PARTIAL,
    WITHHELD,
    Judged,
    judge,
)

FOUR, THREE = HypopnoeaRule.FOUR_PERCENT, HypopnoeaRule.THREE_PERCENT
AROUSAL, UNKNOWN = HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, HypopnoeaRule.UNKNOWN

BASELINE = SleepTest(
    source=Source("Observation/0001", 1),
    day=date(2025, 3, 3),
    purpose=TestPurpose.BASELINE,
    place=TestPlace.LABORATORY,
    kind=TestKind.POLYSOMNOGRAPHY,
    index_name=IndexName.AHI,
    index_per_hour=Decimal("20.0"),
    hypopnoea_rule=AROUSAL,
    sleep_hours=Decimal("6.0"),
    scoring=Scoring.MANUAL,
)
EFFICACY = replace(
    BASELINE,
    source=Source("Observation/0002", 1),
    day=date(2025, 9, 3),
    purpose=TestPurpose.EFFICACY,
    index_per_hour=Decimal("8.0"),
    worn=Worn.ALL_NIGHT,
)
HOME = replace(
    EFFICACY,
    place=TestPlace.HOME,
    kind=TestKind.HOME_FLOW,
    index_name=IndexName.REI,
    hypopnoea_rule=FOUR,
    recording_hours=Decimal("7.0"),
    sleep_hours=None,
)


def ahi(test: SleepTest, index: str, rule: HypopnoeaRule | None = None, *, events: int | None = None) -> SleepTest:
    return replace(test, index_per_hour=Decimal(index), hypopnoea_rule=rule or test.hypopnoea_rule, event_count=events)


def judged(test: SleepTest, baseline: SleepTest | None = BASELINE) -> Judged:
    return judge(test, baseline, dentist_setting=None, delivered=test.day - timedelta(days=60))


def answer(test: SleepTest, baseline: SleepTest | None = BASELINE) -> tuple[str, bool, tuple[str, ...]]:
    result = judged(test, baseline)
    return result.response, result.at_least, result.causes


def class_alone(response: str) -> tuple[str, bool, tuple[str, ...]]:
    return response, False, ()


def at_least(response: str) -> tuple[str, bool, tuple[str, ...]]:
    return response, True, ()


def withheld(*causes: str) -> tuple[str, bool, tuple[str, ...]]:
    return WITHHELD, False, causes


# The worked examples


def test_examples_1_and_2_a_fall_by_the_same_rule() -> None:
    # 1: 150 events/6.0 h → 30/6.0 h, same rule: fall 80.0 %, index 5.0: partial
    first = judged(ahi(EFFICACY, "5.0", events=30), ahi(BASELINE, "25.0", events=150))
    assert first == Judged(PARTIAL, False, (), frozenset(), "fits", "fits")
    # 2: 120/6.0 h → 60/6.0 h: a fall of exactly half is partial
    second = judged(ahi(EFFICACY, "10.0", events=60), ahi(BASELINE, "20.0", events=120))
    assert second == Judged(PARTIAL, False, (), frozenset(), "fits", "fits")


def test_example_3_the_count_against_the_index() -> None:
    # 3: 270 events, 6.6 h, index 4.1: inconsistent, withheld
    under = judged(replace(ahi(EFFICACY, "4.1", events=270), sleep_hours=Decimal("6.6")))
    assert (under.consistency, under.response, under.causes) == ("inconsistent", WITHHELD, ("inconsistent",))
    # 3: its bounds are 40.55 to 41.27, and 4.1 is 89.9 % under, so an index within them fits
    for index in ("40.6", "41.2"):
        fits = judged(replace(ahi(EFFICACY, index, events=270), sleep_hours=Decimal("6.6")))
        assert fits.consistency == "fits"
    # 3: 46 events, REI 7.1, recorded 8.0, monitored 6.5 h: consistent
    home = replace(ahi(HOME, "7.1", events=46), recording_hours=Decimal("8.0"), monitored_hours=Decimal("6.5"))
    assert judged(home).consistency == "fits"


def test_example_4_a_laboratory_count_without_hours_asleep_is_asked() -> None:
    # 4: PSG, 58 events, 7.2 h recorded, sleep untold, AHI 9.9: N/r is 81 % of the recording: asked, valid
    test = replace(ahi(EFFICACY, "9.9", events=58), recording_hours=Decimal("7.2"), sleep_hours=None)
    assert judged(test) == Judged(PARTIAL, False, (), frozenset(), "question", "fits")


@pytest.mark.parametrize(
    ("index", "expected"),
    [
        # 5: 4.0 × 3.10 = 12.4, fall 55.7 %: at least partial, complete not shown
        ("4.0", at_least(PARTIAL)),
        # 5: 1.5 × 3.10 = 4.65: at least complete
        ("1.5", at_least(COMPLETE)),
    ],
)
def test_example_5_a_home_test_by_another_rule_is_stressed(index: str, expected: object) -> None:
    # 5: PSG 28.0 (3 % or arousal) → home REI (4 %), sleep untold
    assert answer(ahi(HOME, index), ahi(BASELINE, "28.0", AROUSAL)) == expected


@pytest.mark.parametrize(
    ("index", "expected"),
    [
        # 6: 33.3 %, from the stressed baseline 29.8 it is 73.1 %: withheld
        ("8.0", withheld("not-comparable")),
        # 6: 54.2 %: at least partial
        ("5.5", at_least(PARTIAL)),
    ],
)
def test_example_6_a_stricter_baseline_works_against_the_result(index: str, expected: object) -> None:
    # 6: PSG both, 12.0 (4 %) → 3 % or arousal
    assert answer(ahi(EFFICACY, index, AROUSAL), ahi(BASELINE, "12.0", FOUR)) == expected


def test_example_7_central_on_treatment_and_a_small_rise() -> None:
    # 7: AHI 9.0 with central share 80 %: central 7.2/h: withheld, a finding
    central = judged(replace(ahi(EFFICACY, "9.0"), central_share=Decimal("0.80")))
    assert (central.response, central.causes, central.findings) == (WITHHELD, ("central",), {"central"})
    # 7: 14.8 → 15.2, same rule: rise 0.4/h, 2.7 %: non-response, not worse
    rise = judged(ahi(EFFICACY, "15.2"), ahi(BASELINE, "14.8"))
    assert rise == Judged(NON_RESPONSE, False, (), frozenset(), "fits", "fits")


def test_example_10_a_rise_and_oxygen_far_worse() -> None:
    # 10: 20 → 30: a rise of 50 % is worse
    rise = judged(ahi(EFFICACY, "30.0"))
    assert (rise.response, rise.causes, rise.findings) == (NON_RESPONSE, (), {"index-worse"})
    # 10: T90 30 % (baseline 4.2): the same day, and +25.8 points, 7.1-fold, the red flag of worse oximetry
    oxygen = judged(replace(EFFICACY, t90_percent=Decimal(30)), replace(BASELINE, t90_percent=Decimal("4.2")))
    assert oxygen.findings == {"oxygen-today", "worse-oximetry"}
    assert (oxygen.response, oxygen.causes) == (PARTIAL, ())


def test_check_vectors_of_the_fall() -> None:
    # 16.7 → 7.4: fall 55.69 %, partial
    assert answer(ahi(EFFICACY, "7.4"), ahi(BASELINE, "16.7")) == class_alone(PARTIAL)
    # 8.0 → 4.5: 43.75 %, non-response
    assert answer(ahi(EFFICACY, "4.5"), ahi(BASELINE, "8.0")) == class_alone(NON_RESPONSE)


# Boundaries


@pytest.mark.parametrize(
    ("index", "level"),
    [
        # 60 events in 5.95 h, 5.9 to 6.0: 9.95 to 10.22/h
        ("9.95", "fits"),
        ("9.46", "fits"),  # under 0.5/h below the nearer bound
        ("9.4525", "fits"),  # 5 % below, 0.4975/h
        ("9.45", "question"),  # 0.5/h below, just over 5 %
        ("7.96", "question"),  # exactly 20 % below
        ("7.95", "inconsistent"),
    ],
)
def test_the_distance_from_the_nearer_bound(index: str, level: str) -> None:
    test = replace(ahi(EFFICACY, index, events=60), sleep_hours=Decimal("5.95"))
    assert judged(test).consistency == level


def test_a_distance_of_up_to_five_percent_is_a_note() -> None:
    # 120 events in 5.95 h: from 19.95/h; 5 % below is 18.9525
    hours = Decimal("5.95")
    for index, level in (("18.9525", "note"), ("18.9524", "question"), ("19.46", "fits"), ("19.45", "note")):
        assert judged(replace(ahi(EFFICACY, index, events=120), sleep_hours=hours)).consistency == level


def test_hardly_any_hours_have_no_highest_index() -> None:
    test = replace(ahi(EFFICACY, "900.0", events=3), sleep_hours=Decimal("0.05"))
    assert judged(test).consistency == "fits"


def test_a_count_that_fits_the_recording_makes_the_index_one_per_recording() -> None:
    # 80 events in 8.0 h recorded, 6.4 asleep: 10.0/h recorded; × 1.25 = 12.5 of 24.0
    hours = {"recording_hours": Decimal("8.0"), "sleep_hours": Decimal("6.4")}
    test = replace(ahi(EFFICACY, "10.0", events=80), **hours)
    assert judged(test, ahi(BASELINE, "24.0")).consistency == "question"
    assert answer(test, ahi(BASELINE, "24.0")) == withheld("not-comparable")
    assert answer(test, ahi(BASELINE, "25.0")) == at_least(PARTIAL)


@pytest.mark.parametrize(
    ("changes", "causes"),
    [
        ({"worn": Worn.UNKNOWN}, ("untold",)),
        ({"worn": Worn.NO}, ("invalid",)),
        ({"worn": Worn.PART}, ("untold",)),
        ({"worn": Worn.PART, "worn_hours": Decimal("3.9")}, ("invalid",)),
        ({"sleep_hours": None}, ("untold",)),
        ({"sleep_hours": Decimal("1.9")}, ("invalid",)),
        ({"sleep_hours": Decimal("2.0")}, ()),
        ({"sleep_hours": None, "recording_hours": Decimal("2.0")}, ()),
        ({"hypopnoea_rule": UNKNOWN}, ("untold",)),
        ({"index_name": None, "index_per_hour": None}, ("untold",)),
        ({"scoring": Scoring.AUTOMATIC}, ("invalid",)),
        ({"scoring": Scoring.UNKNOWN}, ()),
        ({"pap_on": True}, ("combination",)),
        ({"pap_on": False, "positional_device_on": True}, ("combination",)),
        ({"worn": Worn.UNKNOWN, "scoring": Scoring.AUTOMATIC, "oxygen_on": True}, ("untold", "invalid", "combination")),
        ({"kind": TestKind.OXIMETRY, "sleep_hours": None, "recording_hours": Decimal(7)}, ("not-comparable",)),
        ({"kind": TestKind.ARTERIAL_TONE, "recording_hours": Decimal(7)}, ("not-comparable",)),
    ],
)
def test_what_withholds(changes: dict[str, object], causes: tuple[str, ...]) -> None:
    test = replace(ahi(EFFICACY, "6.0"), **changes)  # type: ignore[arg-type]
    assert judged(test).causes == causes


def test_a_home_test_needs_four_hours_recorded_or_monitored() -> None:
    baseline = replace(HOME, purpose=TestPurpose.BASELINE, day=BASELINE.day, index_per_hour=Decimal("20.0"))
    assert answer(replace(HOME, recording_hours=Decimal("4.0")), baseline) == class_alone(PARTIAL)
    assert answer(replace(HOME, recording_hours=Decimal("3.9")), baseline) == withheld("invalid")
    assert answer(replace(HOME, monitored_hours=Decimal("3.9")), baseline) == withheld("invalid")
    assert answer(replace(HOME, recording_hours=None, sleep_hours=Decimal("6.0")), baseline) == withheld("untold")


def test_both_rules_unknown_from_one_laboratory_are_words_only() -> None:
    test, baseline = replace(EFFICACY, hypopnoea_rule=UNKNOWN), replace(BASELINE, hypopnoea_rule=UNKNOWN)
    one = "Organization/1"
    assert answer(test, baseline) == withheld("untold")
    assert answer(replace(test, performer=one), replace(baseline, performer="Organization/2")) == withheld("untold")
    assert answer(replace(test, performer=one), replace(baseline, performer=one)) == class_alone(PARTIAL)


def test_a_baseline_that_cannot_serve() -> None:
    for baseline in (
        None,
        replace(BASELINE, index_per_hour=None, index_name=None),
        ahi(BASELINE, "4.9"),
        ahi(BASELINE, "20.0", events=270),
        replace(BASELINE, day=EFFICACY.day + timedelta(days=1)),
    ):
        assert answer(EFFICACY, baseline) == withheld("baseline")
        assert answer(replace(EFFICACY, kind=TestKind.ARTERIAL_TONE), baseline)[2][-1] == "baseline"
    assert answer(EFFICACY, replace(BASELINE, day=EFFICACY.day)) == class_alone(PARTIAL)


def test_an_unknown_baseline_rule_is_stressed_by_the_worst() -> None:
    baseline = ahi(BASELINE, "24.80", UNKNOWN)
    assert answer(ahi(EFFICACY, "5.0", FOUR), baseline) == at_least(PARTIAL)  # 12.40 of 24.80
    assert answer(ahi(EFFICACY, "5.1", FOUR), baseline) == withheld("not-comparable")
    assert answer(ahi(EFFICACY, "8.9", THREE), baseline) == at_least(PARTIAL)  # 12.28
    assert answer(ahi(EFFICACY, "9.0", THREE), baseline) == withheld("not-comparable")
    assert answer(ahi(EFFICACY, "12.4", AROUSAL), baseline) == class_alone(PARTIAL)


def test_an_index_with_arousals_against_one_without() -> None:
    rdi = replace(EFFICACY, index_name=IndexName.RDI)
    assert answer(ahi(rdi, "8.0")) == at_least(PARTIAL)
    assert answer(ahi(rdi, "12.0")) == withheld("not-comparable")
    assert answer(replace(ahi(rdi, "12.0"), rdi_with_arousals=False)) == class_alone(NON_RESPONSE)
    assert answer(EFFICACY, replace(BASELINE, index_name=IndexName.RDI)) == withheld("not-comparable")
    assert answer(rdi, replace(BASELINE, index_name=IndexName.RDI)) == class_alone(PARTIAL)


def test_an_index_of_the_whole_night_worn_in_part_works_against_the_result() -> None:
    part = replace(EFFICACY, worn=Worn.PART, worn_hours=Decimal("4.0"))
    assert answer(part) == at_least(PARTIAL)
    assert answer(ahi(part, "12.0")) == withheld("not-comparable")
    assert answer(replace(part, index_of_worn_hours=True)) == class_alone(PARTIAL)
    assert "index-worse" not in judged(ahi(part, "30.0")).findings


def test_less_time_supine_and_alcohol_before_alone_flatter() -> None:
    before, after = replace(BASELINE, supine_share=Decimal("0.5")), replace(EFFICACY, supine_share=Decimal("0.3"))
    assert answer(after, before) == at_least(PARTIAL)  # 8.0 + 2.0 of 20.0
    assert answer(ahi(after, "8.1"), before) == withheld("not-comparable")
    assert answer(ahi(replace(after, supine_share=Decimal("0.31")), "8.1"), before) == class_alone(PARTIAL)
    before, after = replace(BASELINE, alcohol=True), replace(EFFICACY, alcohol=False)
    assert answer(ahi(after, "6.45"), before) == at_least(PARTIAL)  # of 12.9
    assert answer(ahi(after, "6.5"), before) == withheld("not-comparable")
    assert answer(ahi(after, "0.0"), ahi(before, "7.1")) == withheld("not-comparable")


def test_opposite_directions_are_applied_each_alone() -> None:
    # By the 4 % rule and asleep, against the 3 % rule and recorded
    baseline = replace(HOME, purpose=TestPurpose.BASELINE, day=BASELINE.day, hypopnoea_rule=THREE)
    test = replace(EFFICACY, hypopnoea_rule=FOUR)  # × 1.80 flatters, × 1.25 works against
    assert answer(ahi(test, "5.5"), ahi(baseline, "20.0")) == at_least(PARTIAL)  # 9.9 of 20.0
    assert answer(ahi(test, "6.0"), ahi(baseline, "20.0")) == withheld("not-comparable")  # 10.8 of 20.0
    assert answer(ahi(test, "12.0"), ahi(baseline, "20.0")) == withheld("not-comparable")  # 12.0 of 25.0
    assert answer(ahi(test, "13.0"), ahi(baseline, "20.0")) == class_alone(NON_RESPONSE)


def test_oxygen_not_controlled_withholds_a_complete_response_alone() -> None:
    low = replace(ahi(EFFICACY, "3.0"), t90_percent=Decimal(10))
    assert answer(low) == withheld("oxygen")
    assert judged(low).findings == {"oxygen-7-days"}
    assert answer(ahi(low, "8.0")) == class_alone(PARTIAL)
    assert answer(replace(low, scoring=Scoring.AUTOMATIC)) == withheld("invalid")
    assert judged(replace(low, lowest_spo2_percent=Decimal(79))).findings == {"oxygen-today"}
    assert judged(replace(low, t90_percent=Decimal("25.1"))).findings == {"oxygen-today"}
    before = replace(BASELINE, t90_percent=Decimal("25.1"))
    assert judged(replace(low, t90_percent=Decimal("25.1")), before).findings == {"oxygen-7-days"}
    minutes = replace(ahi(EFFICACY, "3.0"), minutes_at_88=Decimal(5))
    assert judged(minutes).findings == {"oxygen-7-days"}


@pytest.mark.parametrize(
    ("before", "after", "worse"),
    [
        ("25.0", "30.0", True),  # 5/h and 20 %
        ("26.0", "31.0", False),  # higher severity and 5/h, but 19 %
        ("40.0", "47.9", False),  # 7.9/h, under 20 %
        ("12.5", "15.0", True),  # higher severity, 20 %, 2.5/h
        ("13.0", "15.5", False),  # higher severity, 19 %
        ("10.0", "14.9", False),  # 49 %, 4.9/h, same severity
    ],
)
def test_worse_on_treatment(before: str, after: str, worse: bool) -> None:
    assert ("index-worse" in judged(ahi(EFFICACY, after), ahi(BASELINE, before)).findings) is worse


# The random pairs


@pytest.mark.long
def test_random_pairs_reach_every_value_of_every_output() -> None:
    random = Random(20250303)
    seen: Counter[tuple[str, object]] = Counter()
    for _ in range(10_000):
        test, baseline = random_pair(random)
        result = judge(test, baseline, dentist_setting=None, delivered=test.day - timedelta(days=60))
        assert (result.response == WITHHELD) is bool(result.causes)
        seen["response", result.response] += 1
        seen["at least", (result.response, result.at_least)] += 1
        seen["consistency", result.consistency] += 1
        seen["baseline consistency", result.baseline_consistency] += 1
        seen.update(("cause", cause) for cause in result.causes)
        seen.update(("only cause", cause) for cause in result.causes if len(result.causes) == 1)
        seen.update(("finding", finding) for finding in result.findings)

    expected: list[tuple[str, object]] = [("response", r) for r in (COMPLETE, PARTIAL, NON_RESPONSE, WITHHELD)]
    expected += [("at least", (response, True)) for response in (COMPLETE, PARTIAL)]
    expected += [("at least", (response, False)) for response in (COMPLETE, PARTIAL, NON_RESPONSE, WITHHELD)]
    expected += [(part, level) for part in ("consistency", "baseline consistency") for level in CONSISTENCY]
    expected += [(part, cause) for part in ("cause", "only cause") for cause in CAUSES]
    expected += [("finding", finding) for finding in FINDINGS]
    assert [value for value in expected if seen[value] < 20] == []
    assert sum(seen["response", response] for response in (COMPLETE, PARTIAL, NON_RESPONSE)) > 3_000
