"""From resources to facts: whatever order they stand in, and however often, the facts are the same."""

from __future__ import annotations

import random
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from service.fhir.build import CASE_APPLIANCE, CASE_PATIENT, CASE_REFERRAL, rewrite_references
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import MeasureOfTest, StoredFact
from service.fhir.facts.sleep_tests import SleepTestFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.read_facts import read
from service.inbound.dental_office import map_appliance, map_assessment
from service.inbound.physician import map_physician_decision, map_test_order
from service.inbound.progress import map_progress
from service.inbound.sleep_lab import map_referral, map_result
from service.rules.facts import CaseFacts
from service.rules.kinds import IndexName, TestPurpose
from service.rules.source import Source
from tests.web.messages import example, referral

CASE = "AR-00000-00000"


def stored_facts() -> list[StoredFact]:
    """The facts of every resource of the examples, as stored."""
    drafts = [
        *map_referral(referral()).drafts,
        *map_assessment(example("dental-office/assessment"), CASE).drafts,
        *map_appliance(example("dental-office/appliance"), CASE).drafts,
        *map_progress(example("dental-office/progress"), CASE).drafts,
        *map_test_order(example("physician/test-order"), CASE).drafts,
        *map_result(example("sleep-lab/efficacy-test")).drafts,
        *map_physician_decision(example("physician/decision"), CASE).drafts,
    ]
    addresses = {d.local: f"{d.type}/{index}" for index, d in enumerate(drafts)}
    addresses[CASE_PATIENT], addresses[CASE_REFERRAL] = "Patient/1", "ServiceRequest/1"
    addresses[CASE_APPLIANCE] = next(addresses[d.local] for d in drafts if d.type == "Device")
    found: list[StoredFact] = []
    for draft in drafts:
        fact, problems = read(rewrite_references(draft.resource, addresses), draft.type)
        assert problems == []
        if fact is not None:
            (again,) = facts_from([fact_text(fact)])
            assert again == fact
            found.append(StoredFact(Source(addresses[draft.local], 1), again))
    return found


FACTS = stored_facts()


def sets(facts: CaseFacts) -> dict[str, object]:
    return {
        name: sorted(map(repr, held)) if isinstance(held := getattr(facts, name), tuple) else held
        for name in facts.__dataclass_fields__
    }


@given(st.randoms(use_true_random=False))
def test_the_order_of_resources_does_not_matter(chance: random.Random) -> None:
    mixed = list(FACTS)
    chance.shuffle(mixed)
    assert sets(assemble(mixed)) == sets(assemble(FACTS))


def test_every_fact_of_the_examples_is_there() -> None:
    facts = assemble(FACTS)
    assert facts.referral and facts.referral.diagnosis_codes == ("G47.33",)
    assert facts.referral.pap_history == "not tolerated"
    assert len(facts.settings) == 3
    assert [c.snoring for c in facts.check_ins if c.snoring is not None] == [6, 3, 2]
    assert len(facts.side_effects) == 1
    (appliance,) = facts.appliances
    assert (appliance.maximum_advance_mm, appliance.smallest_step_mm) == (5, Decimal("0.5"))
    tests = {t.purpose: t for t in facts.sleep_tests}
    baseline, efficacy = tests[TestPurpose.BASELINE], tests[TestPurpose.EFFICACY]
    assert baseline.index_name is IndexName.REI
    assert str(baseline.index_per_hour) == "22.40"
    assert (baseline.odi_per_hour, baseline.odi_drop_percent) == (Decimal("18.1"), 3)
    assert baseline.central_share == Decimal("0.02")
    assert len(baseline.measure_sources) == 8
    assert not baseline.appliance_worn
    assert efficacy.appliance_worn
    assert (efficacy.setting_left_mm, efficacy.setting_right_mm) == (2, 2)
    (decision,) = facts.physician_decisions
    assert decision.choice == "continue-treatment"


def test_without_its_report_a_measure_is_no_test_and_without_measures_a_test_has_no_index() -> None:
    reports = [f for f in FACTS if isinstance(f.fact, SleepTestFact)]
    measures = [f for f in FACTS if isinstance(f.fact, MeasureOfTest)]
    assert assemble(measures).sleep_tests == ()
    assert {t.index_per_hour for t in assemble(reports).sleep_tests} == {None}


def test_what_is_entered_in_error_is_no_fact() -> None:
    for kind in ("settings", "check_ins", "side_effects"):
        entries = [{**e, "entered_in_error": True} for e in example("dental-office/progress")[kind]]
        for draft in map_progress({kind: entries}, CASE).drafts:
            fact, problems = read(draft.resource, draft.type)
            assert (fact, problems) == (None, [])
            assert draft.resource["status"] == "entered-in-error"
