"""The documentation check of CMS LCD L33611 (read in pages quoting it), band by band. Never a coverage decision."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.coverage_us import LISTED_CONDITIONS, us_coverage_documentation
from service.rules.decision import Decision, Party
from service.rules.facts import CaseFacts
from service.rules.kinds import HypopnoeaRule, IndexName, TestKind, TestPlace
from service.rules.words import rounded

from .build import AS_OF, DEFAULTS, ago, appliance, baseline, check_in, efficacy, referral, rows

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


def night(index, events, days_ago=120, **changes):
    """A polysomnography by the 4 % rule, at least 2 hours asleep, whose count fits its index."""
    hours = rounded(Decimal(events or 0) / Decimal(index or 1), "0.1")
    held = {
        "place": TestPlace.LABORATORY,
        "kind": TestKind.POLYSOMNOGRAPHY,
        "index_name": IndexName.AHI,
        "recording_hours": None,
        "sleep_hours": max(hours, Decimal("2.0")),
    }
    return baseline(days_ago, index, event_count=events, **(held | changes))


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
    ("14 with 28 events and a stroke before", "14", 28, ordered("history of stroke"), "met", "documentation-met"),
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
    ("35 with 70 events needs no PAP", "35", 70, ORDER, "met", "documentation-met"),
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
    assert decision.criterion("payer-scoring").status == "met"
    assert len(item.thresholds) == 6


def test_the_events_are_shown_beside_the_index():
    item = checked(night("15", 30)).criterion("index-and-events")
    assert [m.value for m in item.observed] == [15, 30]
    assert item.sentence == "AHI 15 per hour on 2 Jun 2026 with 30 events, at least 30 being asked."
    low = checked(night("5", 10), ordered("hypertension")).criterion("index-and-events")
    assert low.sentence == "AHI 5 per hour on 2 Jun 2026 with 10 events, at least 10 being asked, and hypertension."
    pap = checked(night("35", None), ordered(pap_history="not tolerated")).criterion("index-and-events")
    assert pap.sentence == "AHI 35 per hour on 2 Jun 2026 is above 30 and PAP is not tolerated."


def test_few_events_beside_a_high_index_meet_the_band_and_are_asked_about():
    decision = checked(night("14", 10), ordered("history of stroke"))
    assert decision.criterion("index-and-events").status == "met"
    assert decision.criterion("payer-scoring").status == "attention"
    assert decision.outcome == "documentation-needs-attention"


@pytest.mark.parametrize("condition", LISTED_CONDITIONS)
def test_every_listed_condition_counts(condition):
    assert checked(night("10", 50), ordered(condition)).outcome == "documentation-met"


INDICES = rows(
    ("AHI", IndexName.AHI, "met"),
    ("RDI without arousals", IndexName.RDI, "met"),
    ("REI is not named by the criteria", IndexName.REI, "attention"),
)


@pytest.mark.parametrize(("name", "status"), INDICES)
def test_which_index(name, status):
    test = night("20", 90, index_name=name, rdi_with_arousals=False)
    assert checked(test).criterion("index-and-events").status == status


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
            night("20", 90, 90),
            night("22", 95, 90),
            efficacy(3),
            night("3", 10, -1),
            night(None, None, 80),
        ),
    )
    decision = us_coverage_documentation(facts, DEFAULTS, AS_OF, "US")
    assert decision and decision.criterion("index-and-events").observed[0].value == 22


# By the 4 % rule over 2 hours or more, counts actual, an RDI without effort-related arousals; doubtful is asked, never met.
SCORED = rows(
    ("4 %", {}, "met", ""),
    ("3 %", {"hypopnoea_rule": HypopnoeaRule.THREE_PERCENT}, "attention", "Was it scored by the 4 % rule?"),
    (
        "3 % or arousal",
        {"hypopnoea_rule": HypopnoeaRule.THREE_PERCENT_OR_AROUSAL},
        "attention",
        "It is told as «3% or arousal».",
    ),
    ("rule not told", {"hypopnoea_rule": HypopnoeaRule.UNKNOWN}, "attention", "It is told as «unknown»."),
    ("RDI, arousals not told", {"index_name": IndexName.RDI}, "attention", "leave out effort-related arousals?"),
    (
        "RDI with arousals",
        {"index_name": IndexName.RDI, "rdi_with_arousals": True},
        "attention",
        "leave out effort-related arousals?",
    ),
    ("RDI without", {"index_name": IndexName.RDI, "rdi_with_arousals": False}, "met", ""),
    ("hours not told", {"sleep_hours": None}, "attention", "the hours are not told"),
    ("a report that contradicts itself", {"sleep_hours": Decimal("9.0")}, "attention", "contradicts itself"),
)


@pytest.mark.parametrize(("changes", "status", "says"), SCORED)
def test_scored_as_the_payer_asks(changes, status, says):
    decision = checked(night("20", 90, **changes))
    item = decision.criterion("payer-scoring")
    assert item.status == status and says in item.sentence
    assert decision.outcome == ("documentation-met" if status == "met" else "documentation-needs-attention")
    assert bool(item.needs) is (status != "met")


HOURS = rows(("1.9 h", "1.9", "documentation-not-met"), ("2 h", "2", "documentation-met"))


@pytest.mark.parametrize(("hours", "outcome"), HOURS)
def test_hours_recorded(hours, outcome):
    decision = checked(night("20", 40, sleep_hours=Decimal(hours)))
    assert decision.outcome == outcome
    assert ("payer-hours" in {c.name for c in decision.criteria}) is (outcome != "documentation-met")


OFFICE, LABORATORY = "Organization/dental", "Organization/laboratory"
MADE_BY = rows(
    ("by another", LABORATORY, OFFICE, "met", "payer.performer"),
    ("by the office that supplies the appliance", OFFICE, OFFICE, "attention", "payer.performer-supplies"),
    ("by whom is not told", None, OFFICE, "met", "payer.performer-unknown"),
    ("the office is not told", OFFICE, None, "met", "payer.performer-unknown"),
)


@pytest.mark.parametrize(("performer", "office", "status", "says"), MADE_BY)
def test_the_supplier_may_not_make_the_test(performer, office, status, says):
    decision = checked(night("20", 90, performer=performer), replace(ORDER, dental_office=office))
    item = decision.criterion("test-made-by")
    assert (item.status, item.sentence.id) == (status, says)
    assert decision.outcome == ("documentation-met" if status == "met" else "documentation-needs-attention")


DAYS = rows(("the day of the delivery is day 1", 0, 1), ("day 90", 89, 90), ("after that nothing is said", 90, None))


@pytest.mark.parametrize(("delivered", "day"), DAYS)
def test_days_after_the_delivery(delivered, day):
    facts = CaseFacts(referral=ORDER, sleep_tests=(night("20", 90),), appliances=(appliance(delivered),))
    decision = us_coverage_documentation(facts, DEFAULTS, AS_OF, "US")
    assert decision is not None
    told = [c for c in decision.criteria if c.name == "payer-days"]
    assert [c.sentence for c in told] == ([f"Day {day} of 90 after the delivery."] if day else [])
    assert decision.outcome == "documentation-met"


EPWORTH = rows(
    ("10 is not sleepy", 10, "unmet", "documentation-not-met"),
    ("11 is offered as evidence, for a person to confirm", 11, "attention", "documentation-needs-attention"),
    ("not told", None, "unmet", "documentation-not-met"),
)


@pytest.mark.parametrize(("total", "status", "outcome"), EPWORTH)
def test_an_epworth_total_is_evidence_of_sleepiness_and_met_by_a_person_alone(total, status, outcome):
    facts = CaseFacts(
        referral=ORDER,
        sleep_tests=(night("8", 40),),
        check_ins=(check_in(110, epworth_total=total),) if total else (),
    )
    decision = us_coverage_documentation(facts, DEFAULTS, AS_OF, "US")
    assert decision is not None
    item = decision.criterion("index-and-events")
    assert (item.status, decision.outcome) == (status, outcome)
    if status == "attention":
        assert item.needs == "a person confirms that the patient is sleepy by day"
        assert f"An Epworth total of {total}" in item.sentence


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
