"""Whatever the rules can answer has a code and keeps to its profile: names from the source, decisions of generated cases."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings

from service.deciding.decide import decided
from service.fhir.build import Resource
from service.fhir.codes import is_local, local
from service.fhir.decision_observation import About
from service.fhir.decision_records import run_record
from service.fhir.validate import validate
from service.rules import response as rules_of_response
from service.rules.case_view import CaseView, view_case
from service.rules.coverage_us import Documentation
from service.rules.decision import Party, Readiness, ResponseClass, Status, Step
from service.rules.facts import CaseFacts
from service.rules.follow_up import FollowUpOutcome
from service.rules.judging.comparison import Comparability
from service.rules.judging.finding import Cause, Weight
from service.rules.kinds import RedFlagKind, TestKind
from service.rules.referral import ReferralOutcome
from service.rules.site import Site
from service.rules.source import Source
from tests.rules.build import AS_OF, case
from tests.rules.cases import as_of_days, cases
from tests.rules.long_cases import long_cases
from tests.rules.random_tests import random_pair
from tests.short_run import times

RULES = Path(rules_of_response.__file__).parent
SITE = Site(region="US")
ABOUT = About({"reference": "Patient/p"}, {"reference": "ServiceRequest/r"}, Source("Device/rules", 1))
OUTCOMES = (Readiness, Step, ResponseClass, Status, ReferralOutcome, FollowUpOutcome, Documentation)
MAKERS = {"Criterion", "Finding", "question", "untold", "invalid", "_alarm", "_no_baseline", "_attention", "one"}
COMMON = settings(max_examples=times(60, 15), deadline=None, suppress_health_check=list(HealthCheck))


def names_in(tree: ast.Module) -> Iterator[str]:
    """Names of criteria and findings: given to what makes one, or put into `name` before, or told by a field's name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
            places = {"_told": (2,), "_finding": (1,), "_change": (1,), "_settled": (2,)}.get(node.func.id)
            for place in places or ((0,) if node.func.id in MAKERS else ()):
                held = node.args[place] if place < len(node.args) else None
                if isinstance(held, ast.Constant) and isinstance(held.value, str):
                    yield held.value
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Tuple):
            first, value = node.targets[0].elts[0], node.value
            if isinstance(first, ast.Name) and first.id == "name" and isinstance(value, ast.Tuple):
                held = value.elts[0]
                if isinstance(held, ast.Constant):
                    yield str(held.value)


def told_in_the_source() -> set[str]:
    return {name for file in RULES.rglob("*.py") for name in names_in(ast.parse(file.read_text()))}


def test_every_name_in_the_source_has_a_code() -> None:
    found = told_in_the_source()
    assert len(found) > 80
    assert {"retest-due", "payer-hours", "worn-untold", "index-halved", "mobile-teeth", "payer-scoring"} <= found
    assert {name for name in found if not is_local(name)} == set()


@pytest.mark.parametrize("kind", [*OUTCOMES, Cause, Weight, Comparability, RedFlagKind], ids=lambda k: k.__name__)
def test_every_value_of_a_closed_list_has_a_code(kind: type) -> None:
    assert [value for value in kind if not is_local(value.value)] == []


def test_every_party_has_a_code() -> None:
    assert all(local(party.value.replace(" ", "-")) for party in Party)


def resources_of(view: CaseView) -> list[Resource]:
    run = run_record(view.readiness, "run", ABOUT.subject, ABOUT.engine, "CarePlan/1", "0" * 64)
    return [*decided(view, "AR-1", ABOUT), run]


def keeps_to_its_profiles(facts: CaseFacts, as_of: object = AS_OF) -> CaseView:
    view = view_case(facts, SITE, as_of)  # type: ignore[arg-type]
    for resource in resources_of(view):
        assert validate(resource) == [], resource["id"]
    return view


@pytest.mark.at_length
@COMMON
@given(cases(), as_of_days())
def test_every_decision_of_a_generated_case_keeps_to_its_profile(facts: CaseFacts, as_of: object) -> None:
    keeps_to_its_profiles(facts, as_of)


@pytest.mark.at_length
@settings(COMMON, max_examples=times(30, 10))
@given(long_cases())
def test_every_decision_of_a_long_course_keeps_to_its_profile(facts: CaseFacts) -> None:
    keeps_to_its_profiles(facts)


def test_every_judged_test_keeps_to_its_profile() -> None:
    """Random pairs of tests: every class, every cause, every way of comparing, and most of the findings."""
    random, seen = Random(20261120), set[str]()
    for _ in range(400):
        test, baseline = random_pair(random)
        moved = AS_OF - test.day - timedelta(days=3)
        tests = [replace(t, day=t.day + moved) for t in (baseline, test) if t]
        view = keeps_to_its_profiles(case(sleep_tests=tuple(tests)))
        if test.kind is TestKind.OXIMETRY:
            assert view.response is None
            continue
        assert view.response
        judged = view.response.judgement
        seen |= {
            view.response.response_class.value,
            *(f.name for f in judged.findings),
            *(c.value for c in judged.causes),
        }
        seen |= {judged.comparison.comparability.value} if judged.comparison else set()
        seen |= {"at-least"} if judged.at_least else set()
    closed = {v.value for kind in (ResponseClass, Cause, Comparability) for v in kind} | {"at-least"}
    assert closed - seen == set()
