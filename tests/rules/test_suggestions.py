"""What the physician may consider after the test. The physician decides; nothing here is an order."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.kinds import PhysicianChoice
from service.rules.response import assess_response

from .build import AS_OF, DEFAULTS, appliance, baseline, case, dec, efficacy, rows, setting, side_effect

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

SUGGESTIONS = rows(
    ("24 to 4: resolved", ("24", "4"), {}, [CONTINUE]),
    ("8 to 4.5: under 5 though not halved", ("8", "4.5"), {}, [CONTINUE]),
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
    ("a baseline of 0 gives no class", ("0", "6"), {}, []),
)


@pytest.mark.parametrize(("nights", "more", "choices"), SUGGESTIONS)
def test_suggestions(nights, more, choices):
    assert [s.choice for s in suggested(*nights, **dict(more))] == choices


SENTENCES = rows(
    ("resolved", ("24", "4"), {}, "Continue and follow up: the index of 4 per hour is under 5 (Sutherland 2015"),
    ("low", ("24", "9"), {}, "Continue and follow up: the index of 9 per hour is under 10 (Sutherland 2015"),
    (
        "room known",
        ("24", "12"),
        {"appliances": (appliance(maximum_advance_mm="5"),)},
        "Advance further and test again: 3 mm of room are left, and the appliance is tolerated.",
    ),
    ("room not known", ("24", "12"), {}, "standard parts allow another step, though the appliance's own limit is not"),
    (
        "supine",
        ("24", "12", "16", "4"),
        {},
        "on the back 16 events per hour are left, against 4 otherwise, at least 2 times",
    ),
    ("not halved", ("24", "20"), {}, "20 events per hour are left and the fall is under 50 % (Sutherland 2015"),
    ("at the limit", ("24", "12"), LIMIT, "12 events per hour are left and the appliance cannot be advanced further."),
    ("not tolerated", ("24", "12"), HURTS, "12 events per hour are left and the appliance is not tolerated."),
    ("taken back", ("24", "12"), BACK, "left and the last step was taken back for a side effect."),
    ("parts", ("24", "12"), FULL, "left and the standard parts of 3 mm are used up (common practice, no source)."),
    ("no setting", ("24", "12"), {"settings": ()}, "left and the setting is not known."),
)


@pytest.mark.parametrize(("nights", "more", "says"), SENTENCES)
def test_each_suggestion_says_why(nights, more, says):
    assert any(says in s.sentence for s in suggested(*nights, **dict(more)))


def test_suggestions_in_the_data():
    found = assess_response(case(sleep_tests=(baseline(), efficacy(3, "4"))), DEFAULTS, AS_OF)
    assert found
    data = found.as_data()
    assert data["suggestions"] == [{"choice": "continue-treatment", "sentence": found.suggestions[0].sentence}]
    assert data["measures"] == []
    assert data["relapse"] is None
    assert data["cautions"] == [
        "One night is a sample: about 20 % of mild and moderate cases are put into the wrong class by a single night "
        "(Punjabi 2020, doi 10.1016/j.chest.2020.01.039)."
    ]
    assert data["rule_version"] == "1.2.0"
