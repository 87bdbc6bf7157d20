"""Response to treatment: check vectors with their sources, boundaries of severity, criteria and class."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import ResponseClass, Status
from service.rules.facts import CaseFacts
from service.rules.kinds import IndexName
from service.rules.response import assess_response, classify, fall_percent, response_criteria, severity

from .build import AS_OF, DEFAULTS, ago, baseline, case, dec, efficacy, rows

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
        "Non-response: from AHI 8 per hour on 2 Jun 2026 to AHI 4.5 per hour on 27 Sep 2026 with the appliance, "
        "a fall of 43.8 %. The physician decides what follows."
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
    ("baseline 0: no fall can be named", "0", "0", {UNDER_5}, ResponseClass.CANNOT_SAY),
    ("baseline 0, now 6", "0", "6", set(), ResponseClass.CANNOT_SAY),
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
    assert found.criteria[2].sentence.startswith("A fall of 55.69 %, against at least 50 %")


def test_a_test_is_not_taken_as_worn_with_the_appliance_unless_it_says_so():
    assert not baseline().appliance_worn


def test_a_rise_is_called_a_rise():
    found = response("20", "25")
    assert found.fall_percent == Decimal("-25")
    assert "a rise of 25 %" in found.sentence
    assert found.criteria[2].sentence.startswith("A rise of 25 %, against at least 50 %")


def test_a_baseline_of_0_is_said():
    found = response("0", "6")
    assert found.fall_percent is None
    assert found.sentence.startswith("Response cannot be classified: from AHI 0 per hour")
    assert "no fall from a baseline of 0" in found.criteria[1].sentence


NO_RESPONSE = rows(
    ("no test at all", ()),
    ("no efficacy test", (baseline(),)),
    ("no baseline", (efficacy(3),)),
    ("baseline without AHI or REI", (baseline(index_name=IndexName.RDI), efficacy(3))),
    ("efficacy test without an index", (baseline(), efficacy(3, index=None))),
    ("efficacy test of tomorrow", (baseline(), efficacy(-1))),
)


@pytest.mark.parametrize("tests", NO_RESPONSE)
def test_no_response_without_both_tests(tests):
    assert assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF) is None
    assert assess_response(CaseFacts(), DEFAULTS, AS_OF) is None


def test_the_last_efficacy_test_with_an_index_counts():
    tests = (baseline(), efficacy(30, "15", at="1"), efficacy(9, "6"), efficacy(3, index=None))
    found = assess_response(case(sleep_tests=tests), DEFAULTS, AS_OF)
    assert found and found.efficacy.day == ago(9)
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
    assert (data["rule"], data["outcome"], data["comparability"]) == ("response-to-treatment", "partial", [])
    assert data["fall_percent"] == Decimal("75")


def test_the_baseline_is_the_last_one_before_the_efficacy_test():
    # A later test without the appliance, say after weight loss, is no baseline of a test made before it.
    later = (baseline(120, "24"), efficacy(10, "6"), baseline(5, "8"))
    found = assess_response(case(sleep_tests=later), DEFAULTS, AS_OF)
    assert found and (found.baseline.day, found.fall_percent) == (ago(120), Decimal(75))
    same_day = assess_response(
        case(sleep_tests=(baseline(120, "24"), baseline(10, "20"), efficacy(10))), DEFAULTS, AS_OF
    )
    assert same_day and same_day.baseline.day == ago(10)


def test_a_baseline_from_after_the_efficacy_test_is_compared_with_care_only():
    found = assess_response(case(sleep_tests=(efficacy(10, "6"), baseline(5, "24"))), DEFAULTS, AS_OF)
    assert found and found.comparability[0] == (
        "The baseline test of 25 Sep 2026 was made after the efficacy test of 20 Sep 2026; none from before is recorded."
    )
    assert "made after" not in " ".join(response("24", "6").comparability)
    without_index = (efficacy(10, "6"), baseline(120, None))
    assert assess_response(case(sleep_tests=without_index), DEFAULTS, AS_OF) is None


def test_no_change_is_called_so():
    assert "per hour, no change" not in response("24", "23.9").sentence
    assert "with the appliance, no change. The physician" in response("24", "24").sentence
    assert response("24", "24").criteria[2].sentence.startswith("No change, against at least 50 %")
