"""A judged test: order of what is found, why a class is withheld, and what nothing withholds.

Valid, then consistent, then comparable; a withheld class silences no alarm. Policy, except for the classes by AHRQ
Comparative Effectiveness Review 32.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import Party, ResponseClass
from service.rules.judging.comparison import Comparability
from service.rules.judging.finding import Cause
from service.rules.judging.judgement import judge
from service.rules.kinds import Scoring, TestKind, Worn
from service.rules.sleep_test import ScoredIndex

from .build import DEFAULTS, ago, rows
from .judged import (
    AHI,
    AROUSAL,
    DELIVERED,
    RDI,
    THREE,
    UNKNOWN,
    home,
    home_before,
    laboratory,
    laboratory_before,
    names,
    of,
)

COMPLETE, PARTIAL, NON, WITHHELD = ResponseClass
CENTRAL = {"central_share": "0.8"}
LOW = {"t90_percent": "12"}
CONTRADICTION = {"event_count": 270, "sleep_hours": "6.6"}

CLASSES = rows(
    ("20 to 4.9", laboratory("4.9"), COMPLETE, ()),
    ("20 to 5", laboratory("5"), PARTIAL, ()),
    ("20 to 10: exactly halved", laboratory("10"), PARTIAL, ()),
    ("20 to 10.1", laboratory("10.1"), NON, ()),
    ("20 to 24: a rise", laboratory("24"), NON, ()),
    ("20 to 0", laboratory("0"), COMPLETE, ()),
    ("central events", laboratory("9", **CENTRAL), WITHHELD, ("central",)),
    ("oxygen withholds a complete response", laboratory("3", **LOW), WITHHELD, ("oxygen",)),
    ("oxygen stands beside a partial one", laboratory("8", **LOW), PARTIAL, ()),
    ("and beside a non-response", laboratory("12", **LOW), NON, ()),
    (
        "oxygen is named first only when nothing else withholds",
        laboratory("3", **LOW, pap_on=True),
        WITHHELD,
        ("combination",),
    ),
    ("a contradiction", laboratory("4.1", **CONTRADICTION), WITHHELD, ("inconsistent",)),
    ("untold", laboratory(worn=Worn.UNKNOWN), WITHHELD, ("untold",)),
    ("invalid", laboratory(scoring=Scoring.AUTOMATIC), WITHHELD, ("invalid",)),
    ("a combination", laboratory(positional_device_on=True), WITHHELD, ("combination",)),
    ("another kind", home(kind=TestKind.ARTERIAL_TONE), WITHHELD, ("not-comparable",)),
    ("oximetry is no test with a class", home(kind=TestKind.OXIMETRY), WITHHELD, ("not-comparable",)),
    (
        "all at once, in the order of the headline",
        laboratory(
            "4.1",
            **CONTRADICTION,
            worn=Worn.UNKNOWN,
            scoring=Scoring.AUTOMATIC,
            pap_on=True,
            hypopnoea_rule=THREE,
            central_per_hour="8",
            central_share="0.9",
            index_name=RDI,
        ),
        WITHHELD,
        ("central", "inconsistent", "untold", "invalid", "combination"),
    ),
)


@pytest.mark.parametrize(("test", "outcome", "causes"), CLASSES)
def test_class_and_causes(test, outcome, causes):
    judged = of(test)
    assert judged.response_class is outcome
    assert tuple(c.value for c in judged.causes) == causes
    assert judged.at_least is False
    assert {f.cause for f in judged.withheld} == set(judged.causes)


BASELINES = rows(
    ("none", None, "no-baseline"),
    ("without an index", laboratory_before(None), "no-baseline"),
    ("with an index that has no name", laboratory_before("20", index_name=None), "no-baseline"),
    ("made after the test", laboratory_before(day=ago(9)), "baseline-later"),
    ("4.9: no apnoea by this index", laboratory_before("4.9"), "baseline-no-apnoea"),
    ("contradicting itself", laboratory_before("20", event_count=270), "baseline-inconsistent"),
)


@pytest.mark.parametrize(("before", "name"), BASELINES)
def test_a_baseline_that_cannot_serve(before, name):
    judged = judge(laboratory("4"), before, DELIVERED, DEFAULTS)
    assert (judged.response_class, judged.comparison) == (WITHHELD, None)
    assert judged.causes == (Cause.BASELINE,)
    # A report that contradicts itself is the laboratory's to correct, and is named once; all else is the physician's.
    party = Party.SLEEP_LAB if name == "baseline-inconsistent" else Party.PHYSICIAN
    assert [f.party for f in judged.findings if f.name == name] == [party]


SERVES = rows(
    ("5: mild apnoea", laboratory_before("5"), "2.5"),
    ("of the same day", laboratory_before("20", day=ago(10)), "10"),
    ("with a question about its count", laboratory_before("20", event_count=110), "10"),
)


@pytest.mark.parametrize(("before", "index"), SERVES)
def test_a_baseline_that_serves(before, index):
    assert of(laboratory(index), before).response_class in (COMPLETE, PARTIAL)


def test_what_the_baseline_contradicts_is_named_as_the_baselines():
    judged = of(laboratory("8"), laboratory_before("20", event_count=110))
    assert names(judged.findings)["baseline-count-differs"] == "question"
    judged = of(laboratory("8"), laboratory_before("20", event_count=270))
    assert names(judged.findings)["baseline-inconsistent"] == "baseline"


SILENCED = rows(
    ("scored by software alone", {"scoring": Scoring.AUTOMATIC}),
    ("not worn", {"worn": Worn.NO}),
    ("worn is not told", {"worn": Worn.UNKNOWN}),
    ("contradicting itself", {"event_count": 270}),
    ("with PAP on", {"pap_on": True}),
    ("too short", {"sleep_hours": "1"}),
)


@pytest.mark.parametrize("spoiled", SILENCED)
def test_withholding_silences_no_alarm(spoiled):
    judged = of(
        laboratory("9", **CENTRAL, t90_percent="30", odi_per_hour="30", odi_drop_percent=4, **spoiled),
        laboratory_before(t90_percent="4", odi_per_hour="10", odi_drop_percent=4),
    )
    assert judged.response_class is WITHHELD
    assert [f.name for f in judged.alarms] == [
        "oxygen-not-controlled",
        "worse-oximetry",
        "central-on-treatment",
        "worse-desaturation-index",
    ]
    assert [f.days for f in judged.alarms] == [0, 0, 7, 7]


def test_alarms_come_first_then_causes_then_questions_then_notes():
    test = laboratory(
        "3",
        **LOW,
        scoring=Scoring.UNKNOWN,
        worn=Worn.UNKNOWN,
        setting_left_mm=None,
        pap_on=True,
        supine_per_hour="50",
        non_supine_per_hour="40",
    )
    judged = of(test)
    assert [f.name for f in judged.findings] == [
        "oxygen-not-controlled",
        "worn-untold",
        "combination",
        "positions-do-not-add-up",
        "scoring-untold",
        "setting-from-record",
    ]


WORSE = rows(
    ("comparable", {}, {}, True),
    ("what flatters makes it worse still", {}, {"hypopnoea_rule": AROUSAL}, True),
    ("not when the rule works against the result", {"hypopnoea_rule": THREE}, {}, False),
    ("not for a part of the night", {"worn": Worn.PART, "worn_hours": "5"}, {}, False),
    ("not when the test alone reports an RDI, which reads higher", {"index_name": RDI}, {}, False),
    ("when the baseline alone is an RDI, which hides a part of the rise", {}, {"index_name": RDI}, True),
    ("not for arterial tone on one side, which has no direction", {"kind": TestKind.ARTERIAL_TONE}, {}, False),
    ("withheld, as it was not worn", {"worn": Worn.NO}, {}, True),
    ("withheld, as worn is not told", {"worn": Worn.UNKNOWN}, {}, True),
    ("withheld, as the hypopnoea rule is not told", {"hypopnoea_rule": UNKNOWN}, {}, True),
    ("withheld, as software alone scored it", {"scoring": Scoring.AUTOMATIC}, {}, True),
    ("withheld, as a combination was tested", {"pap_on": True}, {}, True),
    ("withheld, as its count contradicts it", {"event_count": 20}, {}, True),
    ("withheld, as the baseline shows no apnoea", {}, {"index_per_hour": "4"}, True),
    (
        "not against a baseline of 4 with a rule that works against the result",
        {"hypopnoea_rule": THREE},
        {"index_per_hour": "4"},
        False,
    ),
    ("not against a baseline that contradicts itself", {}, {"event_count": 270}, False),
    ("not against a baseline made later", {}, {"day": ago(9)}, False),
)


@pytest.mark.parametrize(("after", "before", "worse"), WORSE)
def test_worse_on_treatment_is_said_of_tests_that_compare(after, before, worse):
    judged = of(laboratory("80", **after), laboratory_before("20", **before))
    assert ("worse-on-treatment" in names(judged.findings)) is worse
    if worse:
        assert judged.response_class in (NON, WITHHELD)
        assert [a.days for a in judged.alarms if a.name == "worse-on-treatment"] == [7]


COUNTS = rows(
    ("with a class", laboratory("8"), True),
    ("withheld for oxygen", laboratory("3", **LOW), True),
    ("withheld for central events", laboratory("9", **CENTRAL), True),
    ("withheld for comparability only", laboratory("9", hypopnoea_rule=AROUSAL, index_name=RDI), True),
    ("not comparable at all", home(kind=TestKind.ARTERIAL_TONE), True),
    ("contradicting itself", laboratory("4.1", **CONTRADICTION), False),
    ("untold", laboratory(worn=Worn.UNKNOWN), False),
    ("invalid", laboratory(worn=Worn.NO), False),
    ("a combination", laboratory(oxygen_on=True), False),
)


@pytest.mark.parametrize(("test", "counts"), COUNTS)
def test_which_tests_count_as_tests_of_the_setting(test, counts):
    assert of(test).counts_as_tested is counts


WAITS = rows(
    ("a contradiction is the laboratory's", laboratory("4.1", **CONTRADICTION), True),
    ("so is what is not told", laboratory(hypopnoea_rule=UNKNOWN), True),
    ("a test that is repeated anyway is not waited for", laboratory(hypopnoea_rule=UNKNOWN, worn=Worn.NO), False),
    ("nor one of a combination", laboratory(hypopnoea_rule=UNKNOWN, pap_on=True), False),
    ("a question withholds nothing", laboratory(scoring=Scoring.UNKNOWN), False),
)


@pytest.mark.parametrize(("test", "waits"), WAITS)
def test_whether_the_laboratory_has_the_move(test, waits):
    assert of(test).waits_for_laboratory is waits


def test_the_index_of_the_same_night_by_the_baselines_rule_is_judged():
    by_arousal = (ScoredIndex(AHI, AROUSAL, Decimal("8")),)
    before = laboratory_before("20", hypopnoea_rule=AROUSAL)
    alone = of(laboratory("4.5"), before)
    assert (alone.response_class, alone.causes) == (WITHHELD, (Cause.NOT_COMPARABLE,))
    both = of(laboratory("4.5", further_indices=by_arousal), before)
    assert (both.response_class, both.at_least, both.test.index_per_hour) == (PARTIAL, False, Decimal(8))
    assert both.comparison and both.comparison.comparability is Comparability.COMPARABLE


def test_at_least_a_class_and_why_a_class_could_be_undone():
    before = laboratory_before("30", hypopnoea_rule=AROUSAL)
    judged = of(laboratory("4"), before)
    assert (judged.response_class, judged.at_least) == (PARTIAL, True)
    undone = of(laboratory("7"), before)
    (item,) = undone.withheld
    assert item.sentence.id == "judged.class-undone"
    assert "by «3% or arousal» before and by «4%»" in item.sentence
    assert [t.name for t in item.thresholds] == ["rule_factor_4_arousal"]


@pytest.mark.parametrize("index", [{"index": None}, {"index": "3", "index_name": None}], ids=["no index", "no name"])
def test_without_an_index_nothing_is_compared_and_alarms_stay(index):
    judged = of(laboratory(**index, **LOW), laboratory_before(index_name=RDI))
    assert (judged.comparison, judged.causes) == (None, (Cause.UNTOLD,))
    assert [f.name for f in judged.alarms] == ["oxygen-not-controlled"]


def test_as_data():
    data = of(laboratory("3", **LOW), laboratory_before("20", hypopnoea_rule=AROUSAL)).as_data()
    assert (data["class"], data["at_least"], data["withheld_for"]) == ("partial", True, [])
    assert data["comparability"] == "comparable-with-direction"
    assert [(f["name"], f["within_days"], f["party"]) for f in data["findings"]] == [
        ("oxygen-not-controlled", 7, "physician")
    ]
    assert [(d["name"], d["effect"]) for d in data["differences"]] == [("rule", "flatters-the-result")]
    assert data["findings"][0]["reason"] == {
        "id": "judged.oxygen",
        "values": {"t90": Decimal(12), "on": ago(10).isoformat()},
    }


def test_thresholds_are_named_once():
    judged = of(home("3", **LOW, minutes_at_88="6"), home_before())
    assert [t.name for t in judged.thresholds] == [
        "t90_not_controlled",
        "minutes_not_controlled",
        "t90_today",
        "spo2_today",
    ]
