"""What the physician may consider after the test, by class and by cause. The physician decides; nothing here is an order."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.decision import Party
from service.rules.kinds import HypopnoeaRule, IndexName, PhysicianChoice, RedFlagKind, Scoring, TestKind, Worn
from service.rules.response import assess_response
from service.rules.sleep_test import ScoredIndex

from .build import AS_OF, DEFAULTS, appliance, baseline, case, dec, efficacy, red_flag, rows, setting, side_effect

CONTINUE, ADVANCE = PhysicianChoice.CONTINUE, PhysicianChoice.ADVANCE_AND_RETEST
POSITION, OTHER = PhysicianChoice.ADD_POSITIONAL_THERAPY, PhysicianChoice.COMBINE_OR_CHANGE


def suggested(before, after, supine=None, other=None, **more):
    test = efficacy(3, after, supine_per_hour=dec(supine), non_supine_per_hour=dec(other), **more.pop("test", {}))
    found = assess_response(case(sleep_tests=(baseline(index=before), test), **more), DEFAULTS, AS_OF)
    assert found
    return found.suggestions


FULL = {"settings": (setting(21, "3"),), "test": {"setting_left_mm": Decimal(3), "setting_right_mm": Decimal(3)}}
LIMIT = {"appliances": (appliance(maximum_advance_mm="2"),)}
HURTS = {"side_effects": (side_effect(2, 5),)}
BACK = {"settings": (setting(30, "3"), setting(21, "2", taken_back_for_side_effect=True))}

BY_THREE = {"hypopnoea_rule": HypopnoeaRule.THREE_PERCENT}

SUGGESTIONS = rows(
    ("24 to 4: resolved", ("24", "4"), {}, [CONTINUE]),
    ("8 to 4.5: under 5 though not halved is a non-response", ("8", "4.5"), {}, [ADVANCE, OTHER]),
    ("24 to 5: halved and under 10", ("24", "5"), {}, [CONTINUE, ADVANCE]),
    ("24 to 9.9", ("24", "9.9"), {}, [CONTINUE, ADVANCE]),
    ("24 to 10: not under 10", ("24", "10"), {}, [ADVANCE]),
    ("24 to 12: exactly halved", ("24", "12"), {}, [ADVANCE]),
    ("24 to 12.1: not halved", ("24", "12.1"), {}, [ADVANCE, OTHER]),
    ("12 to 8: under 10, not halved", ("12", "8"), {}, [ADVANCE, OTHER]),
    ("at the appliance's limit", ("24", "10"), LIMIT, [OTHER]),
    ("at the limit, under 10", ("24", "9"), LIMIT, [CONTINUE, OTHER]),
    ("not tolerated", ("24", "10"), HURTS, [OTHER]),
    ("taken back for a side effect", ("24", "10"), BACK, [OTHER]),
    ("standard parts used up", ("24", "10"), FULL, [OTHER]),
    ("no setting on record", ("24", "10"), {"settings": ()}, [OTHER]),
    ("what is left is supine", ("24", "10", "16", "4"), {}, [ADVANCE, POSITION]),
    ("supine at the limit", ("24", "10", "16", "4"), LIMIT, [POSITION, OTHER]),
    ("resolved, whatever the position", ("24", "4", "16", "1"), {}, [CONTINUE]),
    ("a baseline of 0 gives no class", ("0", "6"), {}, ["decide-without-class"]),
    ("an open red flag goes first", ("24", "4"), {"red_flags": (red_flag(RedFlagKind.LOOSE_TOOTH),)}, []),
    ("a red flag stops the advance too", ("24", "10"), {"red_flags": (red_flag(RedFlagKind.LOOSE_TOOTH),)}, []),
)


@pytest.mark.parametrize(("nights", "more", "choices"), SUGGESTIONS)
def test_suggestions(nights, more, choices):
    assert [s.act for s in suggested(*nights, **dict(more))] == choices


ONE = ScoredIndex(IndexName.REI, HypopnoeaRule.THREE_PERCENT, Decimal(9))
CAUSES = rows(
    ("untold: the laboratory completes the report", {"worn": Worn.UNKNOWN}, {}, ["complete-report"]),
    (
        "another rule before: scored as the baseline",
        {},
        BY_THREE | {"index": "10"},
        ["score-as-baseline", "decide-without-class"],
    ),
    (
        "scored so already: by the class",
        {"further_indices": (replace(ONE, per_hour=Decimal(4)),)},
        BY_THREE,
        [CONTINUE],
    ),
    (
        "arterial tone: the same kind again",
        {"kind": TestKind.ARTERIAL_TONE},
        {},
        ["repeat-as-baseline", "decide-without-class"],
    ),
    ("too short: repeated at home", {"recording_hours": Decimal(3)}, {}, ["repeat-test"]),
    ("not worn: repeated", {"worn": Worn.NO}, {}, ["repeat-test"]),
    ("scored by software alone: a person reviews it", {"scoring": Scoring.AUTOMATIC}, {}, ["review-recording"]),
    (
        "scored by software and too short",
        {"scoring": Scoring.AUTOMATIC, "recording_hours": Decimal(3)},
        {},
        ["review-recording", "repeat-test"],
    ),
    ("a contradiction: corrected", {"event_count": 400}, {}, ["correct-report"]),
    ("with PAP: tested alone", {"pap_on": True}, {}, ["test-alone"]),
    ("a baseline under 5", {}, {"index": "4"}, ["decide-without-class"]),
    ("oxygen: the physician reviews first", {"t90_percent": Decimal(12)}, {}, ["physician-review"]),
    (
        "all that is untold and contradicts",
        {"event_count": 400, "worn": Worn.UNKNOWN, "pap_on": True},
        {},
        ["correct-report", "complete-report", "test-alone"],
    ),
)


@pytest.mark.parametrize(("test", "before", "acts"), CAUSES)
def test_the_way_out_of_a_withheld_class_goes_by_its_cause(test, before, acts):
    changes = dict(before)
    tests = (baseline(index=changes.pop("index", "24"), **changes), efficacy(3, "4.5", **test))
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found and [s.act for s in found.suggestions] == acts


def repeated(*tests):
    found = assess_response(case(sleep_tests=(baseline(), *tests)), DEFAULTS, AS_OF)
    assert found
    return {s.act: s.sentence.id for s in found.suggestions}.get("repeat-test")


SHORT = {"hours": "3"}
WHERE = rows(
    ("the first technical failure: at home", (efficacy(3, **SHORT),), "suggest.repeat-home"),
    ("the second: in the laboratory", (efficacy(9, **SHORT), efficacy(3, **SHORT)), "suggest.repeat-laboratory"),
    (
        "a failure with an earlier appliance does not count",
        (efficacy(70, **SHORT), efficacy(3, **SHORT)),
        "suggest.repeat-home",
    ),
    (
        "central events: in the laboratory",
        (efficacy(3, "10", **SHORT, central_share=Decimal("0.8")),),
        "suggest.repeat-laboratory",
    ),
    ("low oxygen: in the laboratory", (efficacy(3, **SHORT, t90_percent=Decimal(12)),), "suggest.repeat-laboratory"),
)


@pytest.mark.parametrize(("tests", "where"), WHERE)
def test_where_a_test_is_repeated(tests, where):
    assert repeated(*tests) == where


def test_what_is_hidden_goes_first_with_its_days():
    test = efficacy(3, "8", t90_percent=Decimal(26))
    found = assess_response(case(sleep_tests=(baseline(), test)), DEFAULTS, AS_OF)
    assert found
    first = found.suggestions[0]
    assert (first.act, first.party, first.days) == ("physician-review", Party.PHYSICIAN, 0)
    assert first.sentence.startswith("The physician reviews the patient today. Oxygen is not controlled")
    assert [s.act for s in found.suggestions if s.act in (CONTINUE, ADVANCE)] == []


SENTENCES = rows(
    ("resolved", ("24", "4"), {}, "Continue and follow up: the index of 4 per hour is under 5."),
    ("low", ("24", "9"), {}, "Continue and follow up: the index of 9 per hour is under 10."),
    (
        "room known",
        ("24", "12"),
        {"appliances": (appliance(maximum_advance_mm="5"),)},
        "Advance further and test again: 3 mm of room are left, and the appliance is tolerated.",
    ),
    ("room not known", ("24", "12"), {}, "standard parts allow another step, and the appliance is tolerated."),
    (
        "supine",
        ("24", "12", "16", "4"),
        {},
        "Add positional therapy: 16 events per hour are left on the back, 4 otherwise.",
    ),
    ("not halved", ("24", "20"), {}, "Combine with or change to another therapy: 20 events per hour are left."),
    ("at the limit", ("24", "12"), LIMIT, "12 events per hour are left and the appliance cannot be advanced further."),
    ("not tolerated", ("24", "12"), HURTS, "12 events per hour are left and the appliance is not tolerated."),
    ("taken back", ("24", "12"), BACK, "left and the last step was taken back for a side effect."),
    ("parts", ("24", "12"), FULL, "left and the standard parts of 3 mm are used up."),
    ("no setting", ("24", "12"), {"settings": ()}, "left and the setting is not known."),
)


@pytest.mark.parametrize(("nights", "more", "says"), SENTENCES)
def test_each_suggestion_says_why(nights, more, says):
    assert any(says in s.sentence for s in suggested(*nights, **dict(more)))


def test_suggestions_in_the_data():
    found = assess_response(case(sleep_tests=(baseline(), efficacy(3, "4"))), DEFAULTS, AS_OF)
    assert found
    data = found.as_data()
    assert data["suggestions"] == [
        {
            "act": "continue-treatment",
            "party": "physician",
            "within_days": None,
            "sentence": found.suggestions[0].sentence,
            "reason": {"id": "suggest.continue", "values": {"index": Decimal(4), "limit": Decimal(5)}},
        }
    ]
    assert data["measures"] == []
    assert data["relapse"] is None
    assert data["cautions"] == [
        "One night is a sample: about 20 % of mild and moderate cases are put into the wrong class by a single night."
    ]
    assert data["rule_version"] == "2.1.0"
