"""The view of a case: every part it has, as data, and every input of every decision once."""

from __future__ import annotations

import pytest

from service.rules.case_view import view_case
from service.rules.course import course_on
from service.rules.decision import Criterion, Status, cautions
from service.rules.facts import CaseFacts
from service.rules.kinds import RedFlagKind
from service.rules.site import Site

from .build import AS_OF, DEFAULTS, baseline, case, efficacy, red_flag, referral, side_effect

US = Site(region="US")


def test_a_whole_case_as_data_has_every_part():
    facts = case(referral=referral(), sleep_tests=(baseline(), efficacy(3)))
    view = view_case(facts, US, AS_OF)
    data = view.as_data()
    assert data["as_of"] == AS_OF.isoformat()
    for part in ("readiness", "referral_check", "us_coverage_documentation", "next_step", "response", "follow_up"):
        assert data[part], part
    assert [(q["party"], q["reason"]["id"]) for q in data["questions"]] == [
        (q.party.value, q.sentence.id) for q in view.questions
    ]
    assert data["red_flags"] == []
    assert [a["title"] for a in data["activities"]] == [a.title for a in view.activities]
    assert {a["when"] for a in data["activities"] if not a["when"]} <= {None}
    dated = {a.title: a.when for a in view.activities if a.when}
    assert {a["title"]: a["when"] for a in data["activities"] if a["when"]} == dated


def test_an_empty_case_as_data_says_what_is_not_there():
    data = view_case(CaseFacts(), Site(), AS_OF).as_data()
    for part in ("us_coverage_documentation", "next_step", "projected_plan", "response", "follow_up"):
        assert data[part] is None, part
    assert (data["questions"], data["red_flags"]) == ([], [])
    assert data["readiness"] and data["referral_check"]


def test_an_open_red_flag_as_data():
    view = view_case(case(red_flags=(red_flag(RedFlagKind.LOOSE_TOOTH),)), Site(), AS_OF)
    (flag,) = view.as_data()["red_flags"]
    assert (flag["kind"], flag["office"], flag["derived"]) == ("loose-tooth", "dentist", False)
    assert flag["since"] == flag["due"] == "2026-09-29"
    assert flag["inputs"] == [{"reference": "Observation/loose-tooth-1-None", "version": 1}]


def test_inputs_are_those_of_every_decision_each_once_in_order():
    facts = case(
        referral=referral(), sleep_tests=(baseline(), efficacy(3)), red_flags=(red_flag(RedFlagKind.LOOSE_TOOTH),)
    )
    view = view_case(facts, US, AS_OF)
    followed = view.follow_up.decision if view.follow_up else None
    assert followed is not None
    decisions = (view.referral_check, view.coverage, view.readiness, view.step, view.response, followed)
    assert all(d is not None for d in decisions)
    every = [source for d in decisions if d for source in d.inputs]
    assert list(view.inputs) == sorted(set(every))
    assert set(followed.inputs) <= set(view.inputs)
    assert view_case(CaseFacts(), Site(), AS_OF).inputs == ()


def test_side_effects_that_are_open_stand_worst_first_and_those_of_grade_0_are_none():
    reports = (
        side_effect(1, 5, kind="jaw ache"),
        side_effect(3, 5, kind="dry mouth"),
        side_effect(0, 5, kind="sore gums"),
        side_effect(1, 5, kind="ear ache"),
    )
    held = course_on(case(side_effects=reports), AS_OF, DEFAULTS).open_side_effects
    assert [(e.kind, e.grade) for e in held] == [("dry mouth", 3), ("ear ache", 1), ("jaw ache", 1)]


@pytest.mark.parametrize(
    ("status", "plain", "as_caution"),
    [
        (Status.MET, "met", "clear"),
        (Status.UNMET, "not met", "not met"),
        (Status.UNKNOWN, "not known", "not known"),
        (Status.ATTENTION, "needs attention", "needs attention"),
    ],
)
def test_how_a_criterion_came_out_in_words(status, plain, as_caution):
    """Nothing is «met» where attention is what is looked for."""
    item = Criterion("a", "A", status, "A sentence.")
    (caution,) = cautions(item)
    assert (item.standing, caution.standing) == (plain, as_caution)
