"""Each difference between two tests by itself, its direction and size, and the class that a stress test leaves.

Factors between hypopnoea rules are ratios of the medians 5.4 / 9.7 / 13.4 (Ho 2015, doi 10.5665/sleep.5234); alcohol
PMC8520474; weight Peppard 2000, doi 10.1001/jama.284.23.3015; arterial tone PMC8974372; the stress test itself is policy.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import ResponseClass
from service.rules.judging.comparison import (
    Comparability,
    Effect,
    allows_worse,
    compare,
    differences,
    rule_factor,
    scored_alike,
)
from service.rules.kinds import TestKind, Worn
from service.rules.sleep_test import ScoredIndex
from service.rules.words import rounded

from .build import DEFAULTS, ago, rows
from .judged import (
    AHI,
    AROUSAL,
    FOUR,
    RDI,
    REI,
    THREE,
    UNKNOWN,
    home,
    home_before,
    laboratory,
    laboratory_before,
)

WORDS, AGAINST, FLATTERS, NOT = Effect.WORDS, Effect.AGAINST, Effect.FLATTERS, Effect.NOT_COMPARABLE
COMPLETE, PARTIAL, NON, WITHHELD = ResponseClass
ONE = "Organization/one"
TONE, OXIMETRY, EEG = TestKind.ARTERIAL_TONE, TestKind.OXIMETRY, TestKind.HOME_EEG


def pair(before=None, after=None, where="laboratory"):
    """Two tests alike but for the changes to each."""
    makers = {"laboratory": (laboratory_before, laboratory), "home": (home_before, home)}[where]
    return makers[0](**(before or {})), makers[1](**(after or {}))


DIFFERENCES = rows(
    ("alike in the laboratory", pair(), {}),
    ("alike at home", pair(where="home"), {}),
    # Kinds
    ("arterial tone before alone", pair({"kind": TONE}, {}, "home"), {"arterial-tone": NOT}),
    ("arterial tone after alone", pair({}, {"kind": TONE}, "home"), {"arterial-tone": NOT}),
    ("arterial tone on both sides", pair({"kind": TONE}, {"kind": TONE}, "home"), {}),
    ("oximetry before: no AHI", pair({"kind": OXIMETRY}, {}, "home"), {"oximetry": NOT}),
    ("oximetry on both sides", pair({"kind": OXIMETRY}, {"kind": OXIMETRY}, "home"), {"oximetry": NOT}),
    # Names
    ("RDI afterwards works against", pair({}, {"index_name": RDI}), {"rdi-after": AGAINST}),
    ("RDI before flatters, by no known size", pair({"index_name": RDI}), {"rdi-before": NOT}),
    ("RDI on both sides", pair({"index_name": RDI}, {"index_name": RDI}), {}),
    ("an RDI without arousals is an AHI", pair({}, {"index_name": RDI, "rdi_with_arousals": False}), {}),
    ("an RDI with them", pair({}, {"index_name": RDI, "rdi_with_arousals": True}), {"rdi-after": AGAINST}),
    # Hypopnoea rules
    ("4 % afterwards reads lower", pair({"hypopnoea_rule": AROUSAL}), {"rule": FLATTERS}),
    ("4 % before works against", pair({}, {"hypopnoea_rule": THREE}), {"rule": AGAINST}),
    ("3 % on both sides", pair({"hypopnoea_rule": THREE}, {"hypopnoea_rule": THREE}), {}),
    ("the rule is not told before", pair({"hypopnoea_rule": UNKNOWN}), {"rule-untold-before": FLATTERS}),
    (
        "not told before, and the highest rule afterwards",
        pair({"hypopnoea_rule": UNKNOWN}, {"hypopnoea_rule": AROUSAL}),
        {"rule-untold-before": WORDS},
    ),
    (
        "told for neither, one laboratory",
        pair({"hypopnoea_rule": UNKNOWN, "performer": ONE}, {"hypopnoea_rule": UNKNOWN, "performer": ONE}),
        {"rules-untold": WORDS},
    ),
    (
        "an AHI from home by arousals is one by 3 %",
        pair({"hypopnoea_rule": THREE, "index_name": AHI}, {"hypopnoea_rule": AROUSAL, "index_name": AHI}, "home"),
        {},
    ),
    (
        "an REI from home by arousals is one by 3 %",
        pair({"hypopnoea_rule": THREE}, {"hypopnoea_rule": AROUSAL}, "home"),
        {},
    ),
    # Hours
    (
        "per recording afterwards reads lower",
        (laboratory_before(), home()),
        {"hours": FLATTERS, "places": WORDS},
    ),
    ("per recording before works against", (home_before(), laboratory()), {"hours": AGAINST, "places": WORDS}),
    (
        "home with EEG is per hour of sleep",
        (laboratory_before(), home(kind=EEG, index_name=AHI)),
        {"places": WORDS},
    ),
    (
        "all of the recording asleep is no difference",
        (laboratory_before(sleep_hours="7"), home()),
        {"places": WORDS},
    ),
    (
        "a laboratory index that fits its recording alone is per recording",
        pair({}, {"index_per_hour": "8.0", "event_count": 64, "recording_hours": "8.0", "sleep_hours": "6.0"}),
        {"hours": FLATTERS},
    ),
    # Worn in part
    (
        "in for part, the index covers the night",
        pair({}, {"worn": Worn.PART, "worn_hours": "4"}),
        {"worn-in-part": AGAINST},
    ),
    (
        "in for part, the index covers those hours",
        pair({}, {"worn": Worn.PART, "worn_hours": "4", "index_of_worn_hours": True}),
        {},
    ),
    ("in for a part too short is not compared by it", pair({}, {"worn": Worn.PART, "worn_hours": "3.9"}), {}),
    # That night
    ("19 points less on the back", pair({"supine_share": "0.49"}, {"supine_share": "0.3"}), {}),
    ("20 points less on the back", pair({"supine_share": "0.5"}, {"supine_share": "0.3"}), {"supine": FLATTERS}),
    ("20 points more on the back is said", pair({"supine_share": "0.1"}, {"supine_share": "0.3"}), {"supine": WORDS}),
    ("on the back not told before", pair({"supine_share": None}), {"supine-untold": WORDS}),
    ("on the back not told afterwards", pair({}, {"supine_share": None}), {"supine-untold": WORDS}),
    ("alcohol before alone", pair({"alcohol": True}), {"alcohol-at-baseline": FLATTERS}),
    ("alcohol both times", pair({"alcohol": True}, {"alcohol": True}), {}),
    ("alcohol afterwards alone", pair({}, {"alcohol": True}), {}),
    ("alcohol before, afterwards not told", pair({"alcohol": True}, {"alcohol": None}), {"alcohol-untold": WORDS}),
    # People and places
    ("4.9 % lighter", pair({"weight_kg": "100"}, {"weight_kg": "95.1"}), {}),
    ("5 % lighter is said", pair({"weight_kg": "100"}, {"weight_kg": "95"}), {"weight": WORDS}),
    ("5 % heavier is said", pair({"weight_kg": "100"}, {"weight_kg": "105"}), {"weight": WORDS}),
    ("weight not told", pair({"weight_kg": None}), {"weight-untold": WORDS}),
    ("a split night", pair({"split_night": True}), {"split-night": WORDS}),
    ("the place of one not known", (home_before(kind=None, place=None, index_name=REI), home()), {}),
    ("a baseline of 5 years", pair({"day": ago(10 + 1826)}), {}),
    ("a day older", pair({"day": ago(10 + 1827)}), {"baseline-old": WORDS}),
)


@pytest.mark.parametrize(("tests", "expected"), DIFFERENCES)
def test_each_difference_by_itself(tests, expected):
    found = list(differences(*tests, DEFAULTS))
    assert {d.name: d.effect for d in found} == expected
    assert len(found) == len(expected)


FACTORS = rows(
    ("4 % and 3 % or arousal", FOUR, AROUSAL, "2.48", "13.4", "5.4"),
    ("4 % and 3 %", FOUR, THREE, "1.80", "9.7", "5.4"),
    ("3 % and 3 % or arousal", THREE, AROUSAL, "1.38", "13.4", "9.7"),
)


@pytest.mark.parametrize(("one", "other", "factor", "higher", "lower"), FACTORS)
def test_factors_between_rules_are_ratios_of_the_published_medians(one, other, factor, higher, lower):
    for held in (rule_factor(one, other, DEFAULTS), rule_factor(other, one, DEFAULTS)):
        assert held and held.value == Decimal(factor) == rounded(Decimal(higher) / Decimal(lower), "0.01")
    assert rule_factor(one, one, DEFAULTS) is None


SIZES = rows(
    ("recording by sleep of the test itself", (laboratory_before(sleep_hours="5"), home(sleep_hours="5.6")), "1.25"),
    ("else of the other test", (laboratory_before(sleep_hours="5"), home()), "1.4"),
    ("told by neither", (laboratory_before(sleep_hours=None), home()), "1.25"),
    ("more sleep than recording is no factor under 1", (laboratory_before(sleep_hours="7.2"), home()), None),
    ("no sleep told as 0 is no factor", (laboratory_before(sleep_hours="0"), home()), "1.25"),
)


@pytest.mark.parametrize(("tests", "factor"), SIZES)
def test_size_of_a_difference_of_hours(tests, factor):
    found = [d.factor for d in differences(*tests, DEFAULTS) if d.name == "hours"]
    assert found == ([Decimal(factor)] if factor else [])


def classed(before, after, first=None, second=None, where="laboratory"):
    found = compare(
        *pair({"index_per_hour": before} | (first or {}), {"index_per_hour": after} | (second or {}), where), DEFAULTS
    )
    return found.comparability, found.response_class, found.at_least


PLAIN, DIRECTED, NONE = Comparability.COMPARABLE, Comparability.WITH_DIRECTION, Comparability.NOT_COMPARABLE
BY_AROUSAL = {"hypopnoea_rule": AROUSAL}
SUPINE = ({"supine_share": "0.5"}, {"supine_share": "0.3"})
ALCOHOL = ({"alcohol": True}, {})

STRESS = rows(
    ("alike", ("20", "4.9"), (), (PLAIN, COMPLETE, False)),
    # Flattering by 2.48
    ("still complete: 2 × 2.48 = 4.96", ("20", "2"), (BY_AROUSAL,), (DIRECTED, COMPLETE, True)),
    ("complete seen, partial left: 2.1 × 2.48 = 5.21", ("20", "2.1"), (BY_AROUSAL,), (DIRECTED, PARTIAL, True)),
    ("just halved under stress: 5 × 2.48 of 24.8", ("24.8", "5"), (BY_AROUSAL,), (DIRECTED, PARTIAL, True)),
    ("no longer halved: 5.01 × 2.48", ("24.8", "5.01"), (BY_AROUSAL,), (NONE, WITHHELD, False)),
    ("non-response stays what it is", ("20", "10.1"), (BY_AROUSAL,), (DIRECTED, NON, False)),
    # Working against by 2.48
    ("complete stands as at least", ("20", "4.9"), ({}, BY_AROUSAL), (DIRECTED, COMPLETE, True)),
    ("partial stands as at least", ("20", "10"), ({}, BY_AROUSAL), (DIRECTED, PARTIAL, True)),
    ("a non-response that 2.48 undoes: 24.8 of 49.6", ("20", "24.8"), ({}, BY_AROUSAL), (NONE, WITHHELD, False)),
    ("one that it does not", ("20", "24.9"), ({}, BY_AROUSAL), (DIRECTED, NON, False)),
    # Without a size
    ("RDI afterwards: at least", ("20", "10"), ({}, {"index_name": RDI}), (DIRECTED, PARTIAL, True)),
    ("RDI afterwards, not halved", ("20", "10.1"), ({}, {"index_name": RDI}), (NONE, WITHHELD, False)),
    ("RDI before", ("20", "1"), ({"index_name": RDI},), (NONE, WITHHELD, False)),
    # Points
    ("less supine: 8 + 2 of 20", ("20", "8"), SUPINE, (DIRECTED, PARTIAL, True)),
    ("less supine: 8.1 + 2 of 20", ("20", "8.1"), SUPINE, (NONE, WITHHELD, False)),
    ("less supine: 2.9 + 2 is complete", ("20", "2.9"), SUPINE, (DIRECTED, COMPLETE, True)),
    ("alcohol: 6.45 of 12.9", ("20", "6.45"), ALCOHOL, (DIRECTED, PARTIAL, True)),
    ("alcohol: 6.46 of 12.9", ("20", "6.46"), ALCOHOL, (NONE, WITHHELD, False)),
    ("alcohol leaves nothing of the baseline", ("7.1", "1"), ALCOHOL, (NONE, WITHHELD, False)),
    # Words only
    ("weight lost", ("20", "4"), ({"weight_kg": "100"}, {"weight_kg": "80"}), (PLAIN, COMPLETE, False)),
    (
        "nothing told of the night",
        ("20", "4"),
        ({"supine_share": None, "alcohol": None, "weight_kg": None},),
        (PLAIN, COMPLETE, False),
    ),
)


@pytest.mark.parametrize(("indices", "changes", "expected"), STRESS)
def test_the_class_that_a_stress_test_leaves(indices, changes, expected):
    assert classed(*indices, *changes) == expected


def test_factors_multiply_and_points_are_added_after_them():
    # Per sleep by arousals before, per recording by 4 % afterwards, 20 points less on the back: 3 × 2.48 × 1.25 + 2 = 11.3.
    tests = (
        laboratory_before("22.6", hypopnoea_rule=AROUSAL, supine_share="0.5", sleep_hours=None),
        home("3", supine_share="0.3"),
    )
    found = compare(*tests, DEFAULTS)
    assert (found.response_class, found.at_least) == (PARTIAL, True)
    less = (laboratory_before("22.5", hypopnoea_rule=AROUSAL, supine_share="0.5", sleep_hours=None), tests[1])
    assert compare(*less, DEFAULTS).response_class is WITHHELD


OPPOSITE = rows(
    ("9.9 of 20 under what flatters", "5.5", (DIRECTED, PARTIAL, True)),
    ("10.8 of 20: undone, though netted it would be halved", "6", (NONE, WITHHELD, False)),
    ("12.0 of 25 under what works against: undone", "12", (NONE, WITHHELD, False)),
    ("13.0 of 25: stands", "13", (DIRECTED, NON, False)),
)


@pytest.mark.parametrize(("index", "expected"), OPPOSITE)
def test_opposite_directions_are_applied_each_alone(index, expected):
    # 3 % and recorded before, 4 % and asleep afterwards: × 1.80 flatters, × 1.25 works against.
    tests = (home_before("20", hypopnoea_rule=THREE), laboratory(index, sleep_hours=None))
    found = compare(*tests, DEFAULTS)
    assert (found.comparability, found.response_class, found.at_least) == expected
    assert not allows_worse(found.differences)


def test_an_index_of_the_same_night_scored_as_the_baseline_was_is_taken():
    by_three = ScoredIndex(AHI, THREE, Decimal("9.5"))
    test = laboratory("8", further_indices=(ScoredIndex(RDI, THREE, Decimal(12)), by_three), event_count=52)
    taken = scored_alike(test, laboratory_before(hypopnoea_rule=THREE))
    assert (taken.index_per_hour, taken.hypopnoea_rule, taken.event_count) == (Decimal("9.5"), THREE, None)
    assert list(differences(laboratory_before(hypopnoea_rule=THREE), taken, DEFAULTS)) == []
    assert scored_alike(test, laboratory_before()) is test
    assert scored_alike(test, laboratory_before(hypopnoea_rule=AROUSAL)) is test
    assert scored_alike(test, laboratory_before(hypopnoea_rule=UNKNOWN)) is test


SAID = rows(
    (
        "lower",
        pair({"hypopnoea_rule": AROUSAL}),
        "by «3% or arousal» before and by «4%» with the appliance, which reads lower.",
    ),
    (
        "higher",
        pair({}, {"hypopnoea_rule": THREE}),
        "by «4%» before and by «3%» with the appliance, which reads higher.",
    ),
    (
        "together",
        pair({"weight_kg": "100"}, {"weight_kg": "90"}),
        "by 10 %: the change is of appliance and weight together.",
    ),
    ("part", pair({"weight_kg": "100"}, {"weight_kg": "90.1"}), "by 9.9 %; part of the change may be weight."),
    ("gained", pair({"weight_kg": "80"}, {"weight_kg": "84"}), "Weight rose from 80 to 84 kg, by 5 %"),
    ("back", pair(*SUPINE), "50 % of the night before and 30 % with the appliance"),
    ("years", pair({"day": ago(10 + 2000)}), "The baseline was 5 years old"),
    ("recording", (laboratory_before(), home()), "one with the appliance per hour of recording, which reads lower."),
)


@pytest.mark.parametrize(("tests", "says"), SAID)
def test_words_and_never_a_converted_number(tests, says):
    (found, *_) = differences(*tests, DEFAULTS)
    assert says in found.sentence
    assert "2.48" not in found.sentence and "1.25" not in found.sentence
    assert found.as_data() == {"name": found.name, "sentence": found.sentence, "effect": found.effect.value}


def test_thresholds_of_a_stress_are_named():
    used = {
        t.name
        for d in differences(laboratory_before(hypopnoea_rule=AROUSAL, sleep_hours=None), home(), DEFAULTS)
        for t in d.thresholds
    }
    assert used == {"rule_factor_4_arousal", "sleep_factor"}
