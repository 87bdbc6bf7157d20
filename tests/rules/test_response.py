"""Response to treatment: check vectors with their sources, boundaries of severity, criteria and class."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import ResponseClass, Status
from service.rules.facts import CaseFacts, PhysicianDecision
from service.rules.index_classes import classify, fall_percent, severity
from service.rules.judging.comparison import Comparability
from service.rules.judging.finding import Cause
from service.rules.kinds import HypopnoeaRule, IndexName, OwnReading, PhysicianChoice, TestKind, TestPlace, Worn
from service.rules.response import assess_response, response_criteria
from service.rules.source import Moment

from .build import AS_OF, DEFAULTS, ago, baseline, case, dec, efficacy, rows, setting, source

UNDER_5, UNDER_10_AND_HALVED, HALVED = "index-under-5", "index-under-10-and-halved", "index-halved"


def met(before: str, after: str) -> set[str]:
    return {c.name for c in response_criteria(Decimal(before), Decimal(after), DEFAULTS) if c.status is Status.MET}


def response(before: str, after: str, **changes):
    tests = (baseline(index=before), efficacy(3, after, **changes))
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found
    return found


# Vectors with their sources. The first is a published case; the second was constructed to show a disagreement.
VECTORS = rows(
    (
        "16.7 to 7.4 (public registry, project 11012, record 262742)",
        ("16.7", "7.4", "55.69", ResponseClass.PARTIAL, {UNDER_10_AND_HALVED, HALVED}, "moderate", "mild"),
    ),
    (
        "8.0 to 4.5 (constructed)",
        ("8.0", "4.5", "43.75", ResponseClass.NON_RESPONSE, {UNDER_5}, "mild", "none"),
    ),
)


@pytest.mark.parametrize("vector", VECTORS)
def test_check_vectors(vector):
    before, after, fall, outcome, criteria_met, severity_before, severity_after = vector
    found = response(before, after)
    assert found.fall_percent == Decimal(fall)
    assert found.response_class == outcome
    assert {c.name for c in found.criteria if c.status is Status.MET} == criteria_met
    assert (found.severity_before, found.severity_after) == (severity_before, severity_after)
    assert found.disagreement.startswith("The published criteria disagree")


def test_the_disagreement_of_8_to_4_and_a_half_is_shown_word_for_word():
    found = response("8.0", "4.5")
    assert found.disagreement == (
        "The published criteria disagree: met are «index under 5 per hour»; not met «index under 10 per hour and at "
        "least halved», «index at least halved»."
    )
    assert found.as_data()["disagreement"] == found.disagreement
    assert found.sentence == (
        "Non-response: REI 8 per hour on 2 Jun 2026, REI 4.5 per hour on 27 Sep 2026 with the appliance, a fall of 44 %. "
        "The physician decides what follows."
    )


# Severity 5 / 15 / 30 events per hour: doi 10.1186/s13063-019-3698-4.
SEVERITY = rows(
    ("0", "0", "none"),
    ("4.9: just under 5", "4.9", "none"),
    ("4.99", "4.99", "none"),
    ("5: mild from here", "5", "mild"),
    ("5.0 is 5", "5.0", "mild"),
    ("14.9: just under 15", "14.9", "mild"),
    ("15: moderate from here", "15", "moderate"),
    ("29.9: just under 30", "29.9", "moderate"),
    ("30: severe from here", "30", "severe"),
    ("30.1", "30.1", "severe"),
    ("120", "120", "severe"),
)


@pytest.mark.parametrize(("index", "name"), SEVERITY)
def test_severity(index, name):
    assert severity(Decimal(index), DEFAULTS) == name


# Three criteria side by side: Sutherland 2015, doi 10.5664/jcsm.4934. Class: AHRQ Comparative Effectiveness Review 32.
CRITERIA = rows(
    ("20 to 4.9: under 5 and halved", "20", "4.9", {UNDER_5, UNDER_10_AND_HALVED, HALVED}, ResponseClass.COMPLETE),
    ("20 to 5: not under 5", "20", "5", {UNDER_10_AND_HALVED, HALVED}, ResponseClass.PARTIAL),
    ("20 to 5.1", "20", "5.1", {UNDER_10_AND_HALVED, HALVED}, ResponseClass.PARTIAL),
    ("40 to 9.9: under 10", "40", "9.9", {UNDER_10_AND_HALVED, HALVED}, ResponseClass.PARTIAL),
    ("40 to 10: not under 10", "40", "10", {HALVED}, ResponseClass.PARTIAL),
    ("40 to 10.1", "40", "10.1", {HALVED}, ResponseClass.PARTIAL),
    ("40 to 20: exactly halved", "40", "20", {HALVED}, ResponseClass.PARTIAL),
    ("40 to 19.9: more than halved", "40", "19.9", {HALVED}, ResponseClass.PARTIAL),
    ("40 to 20.1: just not halved", "40", "20.1", set(), ResponseClass.NON_RESPONSE),
    (
        "9 to 4.5: exactly halved and under 5",
        "9",
        "4.5",
        {UNDER_5, UNDER_10_AND_HALVED, HALVED},
        ResponseClass.COMPLETE,
    ),
    ("9 to 4.6: under 5, not halved", "9", "4.6", {UNDER_5}, ResponseClass.NON_RESPONSE),
    ("10 to 5: exactly halved, exactly 5", "10", "5", {UNDER_10_AND_HALVED, HALVED}, ResponseClass.PARTIAL),
    ("a third: 7.5 to 3.75", "7.5", "3.75", {UNDER_5, UNDER_10_AND_HALVED, HALVED}, ResponseClass.COMPLETE),
    ("no change", "18", "18", set(), ResponseClass.NON_RESPONSE),
    ("worse", "18", "27", set(), ResponseClass.NON_RESPONSE),
    ("to 0", "18", "0", {UNDER_5, UNDER_10_AND_HALVED, HALVED}, ResponseClass.COMPLETE),
)


@pytest.mark.parametrize(("before", "after", "criteria_met", "outcome"), CRITERIA)
def test_criteria_and_class(before, after, criteria_met, outcome):
    assert met(before, after) == criteria_met
    assert classify(Decimal(before), Decimal(after), DEFAULTS) == outcome
    found = response(before, after)
    assert found.response_class == outcome
    assert bool(found.disagreement) == (0 < len(criteria_met) < 3)


FALLS = rows(
    ("halved", "30", "15", "50"),
    ("unchanged", "30", "30", "0"),
    ("doubled", "30", "60", "-100"),
    ("abolished", "30", "0", "100"),
    ("nothing to fall from", "0", "3", None),
)


@pytest.mark.parametrize(("before", "after", "fall"), FALLS)
def test_fall(before, after, fall):
    assert fall_percent(Decimal(before), Decimal(after)) == dec(fall)


def test_falls_stand_with_two_decimals_beside_the_criteria():
    found = response("16.7", "7.4")
    assert [m.value for m in found.criteria[2].observed] == [Decimal("7.4"), Decimal("55.69")]
    assert found.criteria[2].sentence == "The index shows a fall of 56 %, against at least 50 %."


CLOSE = rows(
    ("49.95 % is never printed as 50", "200", "100.1", "a fall of 49.95 %"),
    ("49.9 %", "100", "50.1", "a fall of 49.9 %"),
    ("just over half", "200", "99.9", "a fall of 50.1 %"),
    ("exactly half", "200", "100", "a fall of 50 %"),
)


@pytest.mark.parametrize(("before", "after", "says"), CLOSE)
def test_a_fall_next_to_half_stands_on_its_own_side(before, after, says):
    found = response(before, after)
    assert says in found.sentence and says in found.criteria[2].sentence


def test_a_test_is_not_taken_as_worn_with_the_appliance_unless_it_says_so():
    assert not baseline().appliance_worn


def test_a_rise_is_called_a_rise():
    found = response("20", "25")
    assert found.fall_percent == Decimal("-25")
    assert "a rise of 25 %" in found.sentence
    assert found.sentence.startswith("Non-response, not improved: ")
    assert found.criteria[2].sentence == "The index shows a rise of 25 %, against at least 50 %."


UNDER_5_BEFORE = rows(
    ("4.9 before", "4.9", "1", "79.59"),
    ("0 before: no fall can be named", "0", "6", None),
)


@pytest.mark.parametrize(("before", "after", "fall"), UNDER_5_BEFORE)
def test_no_class_without_apnoea_before(before, after, fall):
    found = response(before, after)
    assert (found.response_class, found.judgement.causes) == (ResponseClass.WITHHELD, (Cause.BASELINE,))
    assert found.fall_percent == dec(fall)
    assert f"The baseline index of 2 Jun 2026 was {before} per hour: no sleep apnoea by this index." in found.sentence


NO_RESPONSE = rows(
    ("no test at all", ()),
    ("no efficacy test", (baseline(),)),
    ("efficacy test of tomorrow", (baseline(), efficacy(-1))),
)


@pytest.mark.parametrize("tests", NO_RESPONSE)
def test_no_response_without_an_efficacy_test(tests):
    assert assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF) is None
    assert assess_response(CaseFacts(), DEFAULTS, AS_OF) is None


NO_CLASS = rows(
    ("no baseline", (efficacy(3),), Cause.BASELINE),
    ("baseline without an index", (baseline(index=None), efficacy(3)), Cause.BASELINE),
    ("baseline with an RDI", (baseline(index_name=IndexName.RDI), efficacy(3)), Cause.NOT_COMPARABLE),
    ("efficacy test without an index", (baseline(), efficacy(3, index=None)), Cause.UNTOLD),
    ("not worn", (baseline(), efficacy(3, worn=Worn.NO)), Cause.INVALID),
)


@pytest.mark.parametrize(("tests", "cause"), NO_CLASS)
def test_a_class_is_withheld_and_the_number_and_the_way_out_are_shown(tests, cause):
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found and found.response_class is ResponseClass.WITHHELD
    assert found.judgement.causes == (cause,)
    index = tests[-1].index_per_hour
    number = "no index" if index is None else f"REI {index} per hour"
    assert found.sentence.startswith(f"No class of response: {number} on 27 Sep 2026. ")
    assert found.sentence.endswith("The physician decides, with or without a class.")
    assert found.suggestions
    data = found.as_data()
    assert (data["outcome"], data["withheld_for"]) == ("withheld", [cause.value])


def test_the_last_efficacy_test_counts_also_without_an_index():
    tests = (baseline(), efficacy(30, "15", at="1"), efficacy(9, "6"), efficacy(3, index=None))
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found and found.efficacy.day == ago(3)
    earlier = assess_response(case(sleep_tests=tests), DEFAULTS, ago(20))
    assert earlier and earlier.efficacy.day == ago(30)


def test_the_response_names_both_tests_as_inputs_and_its_thresholds():
    found = response("24", "6")
    read = [s.reference for s in found.inputs]
    # The appliance and its setting tell whether the test was made with them; the setting before, what may be suggested.
    assert read == [
        "Observation/appliance-60",
        "Observation/baseline-120-24",
        "Observation/efficacy-3-6",
        "Observation/setting-21-2-2",
        "Observation/setting-40-1-1",
    ]
    resolved = response("24", "3")
    assert [s.reference for s in resolved.inputs] == [
        "Observation/appliance-60",
        "Observation/baseline-120-24",
        "Observation/efficacy-3-3",
        "Observation/setting-21-2-2",
    ]
    assert {t.name for t in found.thresholds} == {"normal_index", "low_index", "halved_percent"}
    data = found.as_data()
    assert (data["rule"], data["outcome"], data["comparability"]) == ("response-to-treatment", "partial", "comparable")
    assert data["fall_percent"] == Decimal("75")


def test_the_baseline_is_the_last_one_before_the_efficacy_test():
    # A later test without the appliance, say after weight loss, is no baseline of a test made before it.
    later = (baseline(120, "24"), efficacy(10, "6"), baseline(5, "8"))
    found = assess_response(case(sleep_tests=later), DEFAULTS, AS_OF)
    assert found and found.baseline and (found.baseline.day, found.fall_percent) == (ago(120), Decimal(75))
    again = (baseline(120, "24"), baseline(60, "20"), efficacy(10))
    same_day = assess_response(case(sleep_tests=again), DEFAULTS, AS_OF)
    assert same_day and same_day.baseline and same_day.baseline.day == ago(60)


def test_a_baseline_from_after_the_efficacy_test_gives_no_class():
    found = assess_response(case(sleep_tests=(efficacy(10, "6"), baseline(5, "24"))), DEFAULTS, AS_OF)
    assert found and found.judgement.causes == (Cause.BASELINE,)


def test_no_change_is_called_so():
    assert "per hour, no change" not in response("24", "23.9").sentence
    assert "with the appliance, no change. The physician" in response("24", "24").sentence
    assert response("24", "24").criteria[2].sentence == "The index shows no change, against at least 50 %."


ELSEWHERE = rows(
    ("at the setting worn now", "2", None, False),
    ("a quarter of a millimetre away counts as the same", "2.25", None, False),
    ("0.26 mm away", "2.26", None, True),
    ("one side away", "2", "1", True),
    ("told by nobody", None, None, False),
)


@pytest.mark.parametrize(("left", "right", "elsewhere"), ELSEWHERE)
def test_a_class_holds_for_the_setting_of_its_night_alone(left, right, elsewhere):
    found = response("24", "4", at=left, **({"setting_right_mm": dec(right)} if right else {}))
    assert found.response_class is ResponseClass.COMPLETE
    assert (found.sentence.id == "response.elsewhere") is elsewhere
    acts = {s.act for s in found.suggestions}
    assert ({"set-as-tested", "test-this-setting"} <= acts) is elsewhere
    if elsewhere:
        assert "There it was a complete response; the class holds for that setting alone." in found.sentence
        assert "continue-treatment" not in acts


def test_a_setting_changed_since_the_test_is_elsewhere_too():
    tests = (baseline(), efficacy(3, "4"))
    settings = (setting(21, "2"), setting(1, "3"))
    found = assess_response(case(sleep_tests=tests, settings=settings), DEFAULTS, AS_OF)
    assert found and found.sentence.startswith("Tested at 2 mm on both sides, not at the 3 mm on both sides worn now: ")


def test_at_least_a_class_in_words():
    before = baseline(index="30", hypopnoea_rule=HypopnoeaRule.THREE_PERCENT)
    found = assess_response(case(sleep_tests=(before, efficacy(3, "4"))), DEFAULTS, AS_OF)
    assert found and found.sentence == (
        "At least a partial response: REI 30 per hour on 2 Jun 2026, REI 4 per hour on 27 Sep 2026 with the appliance; the "
        "two tests differ. The physician decides what follows."
    )
    data = found.as_data()
    assert (data["outcome"], data["at_least"]) == ("partial", True)
    assert data["comparability"] == Comparability.WITH_DIRECTION.value
    assert "rule" in [d["name"] for d in data["differences"]]
    assert any("by «3%» before and by «4%»" in remark for remark in found.remarks)


def test_a_remark_that_stands_in_a_finding_is_not_said_twice():
    before = baseline(index="20", place=TestPlace.LABORATORY, index_name=IndexName.RDI)
    found = assess_response(case(sleep_tests=(before, efficacy(3, "4"))), DEFAULTS, AS_OF)
    assert found
    said = [r for r in found.remarks if "The baseline reports an RDI" in r]
    assert len(said) == 1 and said[0].startswith("The test of 27 Sep 2026 cannot be compared")


def test_the_physicians_own_reading_stands_beside_a_withheld_class():
    read = PhysicianDecision(source("read"), Moment(ago(1)), PhysicianChoice.CONTINUE, own_reading=OwnReading.PARTIAL)
    tests = (baseline(), efficacy(3, worn=Worn.UNKNOWN))
    found = assess_response(case(sleep_tests=tests, physician_decisions=(read,)), DEFAULTS, AS_OF)
    assert found and found.response_class is ResponseClass.WITHHELD
    assert found.own_reading == "The physician's own reading on 29 Sep 2026: partial."
    assert read.source in found.inputs
    assert found.as_data()["own_reading_reason"]["id"] == "response.own-reading"


def test_oximetry_during_titration_has_no_class():
    record = efficacy(2, "3", kind=TestKind.OXIMETRY)
    assert assess_response(case(sleep_tests=(baseline(), record)), DEFAULTS, AS_OF) is None
