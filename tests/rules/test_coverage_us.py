"""The documentation check of CMS LCD L33611 (read in pages quoting it), band by band. Never a coverage decision."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.coverage_us import LISTED_CONDITIONS, us_coverage_documentation
from service.rules.decision import Decision, Party
from service.rules.facts import CaseFacts
from service.rules.kinds import IndexName

from .build import AS_OF, DEFAULTS, ago, baseline, efficacy, referral, rows

ORDER = replace(
    referral(),
    face_to_face_on=ago(130),
    ordered_by_treating_practitioner=True,
    dentist_licensed=True,
)


def checked(test, order=ORDER, region="US") -> Decision:
    facts = CaseFacts(referral=order, sleep_tests=(test,) if test else ())
    decision = us_coverage_documentation(facts, DEFAULTS, AS_OF, region)
    assert decision is not None
    return decision


def night(index, events, **changes):
    return baseline(120, index, event_count=events, **changes)


def ordered(*conditions, **changes):
    return replace(ORDER, conditions=conditions, **changes)


BANDS = rows(
    # The two vectors of the clinical ground, from the criteria of L33611.
    ("15 with 30 events", "15", 30, ORDER, "met", "documentation-met"),
    ("15 with 29 events", "15", 29, ORDER, "unmet", "documentation-not-met"),
    ("5 with 10 events and hypertension", "5", 10, ordered("hypertension"), "met", "documentation-met"),
    ("5 with 10 events, no condition", "5", 10, ORDER, "unmet", "documentation-not-met"),
    # The neighbours of each limit.
    ("4.9", "4.9", 40, ordered("hypertension"), "unmet", "documentation-not-met"),
    ("5 with 9 events", "5", 9, ordered("hypertension"), "unmet", "documentation-not-met"),
    ("14 with 10 events and a stroke before", "14", 10, ordered("history of stroke"), "met", "documentation-met"),
    ("14.1 lies in the gap", "14.1", 100, ordered("hypertension"), "attention", "undefined-ask-the-payer"),
    ("14.9 lies in the gap", "14.9", 100, ORDER, "attention", "undefined-ask-the-payer"),
    ("16", "16", 31, ORDER, "met", "documentation-met"),
    ("a condition that is not listed", "8", 40, ordered("asthma"), "unmet", "documentation-not-met"),
    ("listed beside one that is not", "8", 40, ordered("asthma", "insomnia"), "met", "documentation-met"),
    ("events not counted", "20", None, ORDER, "unknown", "cannot-say"),
    ("35, events not counted, PAP not tolerated", "35", None, ordered(pap_history="not tolerated"), "met", None),
    ("35, events not counted, PAP contraindicated", "35", None, ordered(pap_contraindicated=True), "met", None),
    ("35, events not counted, PAP declined", "35", None, ordered(pap_history="declined"), "unknown", "cannot-say"),
    ("30 is not above 30", "30", None, ordered(pap_history="not tolerated"), "unknown", "cannot-say"),
    ("35 with 30 events needs no PAP", "35", 30, ORDER, "met", "documentation-met"),
)


@pytest.mark.parametrize(("index", "events", "order", "status", "outcome"), BANDS)
def test_bands(index, events, order, status, outcome):
    decision = checked(night(index, events), order)
    item = decision.criterion("index-and-events")
    assert item.status == status
    assert decision.outcome == (outcome or "documentation-met")
    assert decision.sentence.endswith("This is a check of documents, not a coverage decision.")
    assert decision.whose_move == (Party.NOBODY if decision.outcome == "documentation-met" else Party.PHYSICIAN)
    assert item.observed[0].value == Decimal(index)
    assert ("ask the payer" in decision.sentence) == (status == "attention")
    assert len(item.thresholds) == 6


def test_the_events_are_shown_beside_the_index():
    item = checked(night("15", 30)).criterion("index-and-events")
    assert [m.value for m in item.observed] == [15, 30]
    assert item.sentence == "AHI 15 per hour on 2 Jun 2026 with 30 events, at least 30 being asked."
    low = checked(night("5", 10), ordered("hypertension")).criterion("index-and-events")
    assert low.sentence == "AHI 5 per hour on 2 Jun 2026 with 10 events, at least 10 being asked, and hypertension."
    pap = checked(night("35", None), ordered(pap_history="not tolerated")).criterion("index-and-events")
    assert pap.sentence == "AHI 35 per hour on 2 Jun 2026 is above 30 and PAP is not tolerated."


@pytest.mark.parametrize("condition", LISTED_CONDITIONS)
def test_every_listed_condition_counts(condition):
    assert checked(night("10", 50), ordered(condition)).outcome == "documentation-met"


INDICES = rows(
    ("AHI", IndexName.AHI, "met"),
    ("RDI", IndexName.RDI, "met"),
    ("REI is not named by the criteria", IndexName.REI, "attention"),
    ("index not named", None, "attention"),
)


@pytest.mark.parametrize(("name", "status"), INDICES)
def test_which_index(name, status):
    assert checked(night("20", 90, index_name=name)).criterion("index-and-events").status == status


FACE_TO_FACE = rows(
    ("the day before the test", ago(121), "met"),
    ("on the day of the test: which came first is not known", ago(120), "unknown"),
    ("the day after the test", ago(119), "unmet"),
    ("not recorded", None, "unknown"),
)


@pytest.mark.parametrize(("seen", "status"), FACE_TO_FACE)
def test_face_to_face_evaluation(seen, status):
    item = checked(night("20", 90), replace(ORDER, face_to_face_on=seen)).criterion("face-to-face-evaluation")
    assert item.status == status
    assert bool(item.missing) == (status == "unknown")


TOLD = rows(
    ("yes", True, "met", " is given"), ("no", False, "unmet", "not given"), ("not told", None, "unknown", "Whether")
)


@pytest.mark.parametrize(("told", "status", "says"), TOLD)
def test_order_and_dentist(told, status, says):
    order = replace(ORDER, ordered_by_treating_practitioner=told, dentist_licensed=told)
    decision = checked(night("20", 90), order)
    by_order = decision.criterion("ordered-by-treating-practitioner")
    assert (by_order.status, decision.criterion("provided-by-licensed-dentist").status) == (status, status)
    assert says in by_order.sentence
    assert bool(by_order.missing) == (status == "unknown")


def test_unmet_outranks_undefined_and_undefined_outranks_missing():
    gap = night("14.5", 90)
    assert checked(gap, replace(ORDER, dentist_licensed=False)).outcome == "documentation-not-met"
    assert checked(gap, replace(ORDER, dentist_licensed=None)).outcome == "undefined-ask-the-payer"


def test_without_facts():
    decision = checked(None, None)
    assert decision.outcome == "cannot-say"
    assert decision.missing == (
        "the day of the face-to-face evaluation",
        "the sleep test",
        "whether the order is given by the treating practitioner",
        "whether the appliance is provided by a licensed dentist",
    )
    assert checked(None).criterion("face-to-face-evaluation").missing == "the sleep test"


@pytest.mark.parametrize("region", ["", "us", "GB", "USA"])
def test_only_where_the_region_is_us(region):
    facts = CaseFacts(referral=ORDER, sleep_tests=(night("20", 90),))
    assert us_coverage_documentation(facts, DEFAULTS, AS_OF, region) is None


def test_the_last_baseline_test_known_that_day_counts_and_of_two_on_one_day_the_higher():
    facts = CaseFacts(
        referral=ORDER,
        sleep_tests=(
            night("40", 200),
            baseline(90, "20", event_count=90),
            baseline(90, "22", event_count=95),
            efficacy(3),
            baseline(-1, "3"),
            baseline(80, None),
        ),
    )
    decision = us_coverage_documentation(facts, DEFAULTS, AS_OF, "US")
    assert decision and decision.criterion("index-and-events").observed[0].value == 22


def test_a_referral_of_tomorrow_is_not_known_yet():
    decision = checked(night("20", 90), replace(ORDER, day=ago(-1)))
    assert decision.outcome == "cannot-say"
    assert checked(night("20", 90), replace(ORDER, day=AS_OF)).outcome == "documentation-met"


def test_what_two_criteria_miss_is_asked_for_once():
    decision = checked(None)
    assert decision.sentence.startswith(
        "The documentation asked for an oral appliance by CMS LCD L33611 cannot be checked without the sleep test. "
    )
    assert decision.missing == ("the sleep test", "the sleep test")
