"""What people read of a case: nothing three times, red flags with office and day, questions, withheld and at-least classes."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from random import Random

from hypothesis import HealthCheck, given, settings

from service.fhir.build import Resource
from service.fhir.care_plan import care_plan
from service.fhir.narrative import letter_parts, narrative
from service.fhir.told import sentences_of
from service.fhir.validate import validate
from service.rules.case_view import CaseView, view_case
from service.rules.decision import Party, ResponseClass
from service.rules.facts import CaseFacts, PhysicianDecision
from service.rules.kinds import OwnReading, PhysicianChoice, RedFlagKind, Scoring
from service.rules.site import Site
from service.rules.source import Moment, Source
from service.rules.words import day
from tests.rules.build import AS_OF, ago, baseline, case, efficacy, red_flag
from tests.rules.cases import as_of_days, cases
from tests.rules.long_cases import long_cases
from tests.rules.random_tests import random_pair

SITE = Site(region="US")
COMMON = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))


def read(html: str) -> str:
    """What a person reads."""
    return unescape(re.sub(r"<[^>]+>", " ", html)).replace("  ", " ")


def seen(facts: CaseFacts, as_of: object = AS_OF) -> CaseView:
    return view_case(facts, SITE, as_of)  # type: ignore[arg-type]


def plan_text(view: CaseView) -> str:
    return read(narrative(view, "AR-1"))


def plan_of(view: CaseView) -> Resource:
    subject, referral = ({"reference": reference} for reference in ("Patient/p", "ServiceRequest/r"))
    decision = {"reference": "Observation/AR-1-readiness"}
    return care_plan(view, "AR-1", subject=subject, referral=referral, conditions=[], supporting=[decision])


def nothing_three_times(view: CaseView) -> None:
    assert validate(plan_of(view)) == []
    texts = [plan_text(view), *(read(html) for _, html in letter_parts(view).values())]
    for text in texts:
        for sentence in sentences_of(view):
            assert text.count(sentence) <= 2, sentence
    asked = (*(q.sentence for q in view.questions), *(f.sentence for f in view.course.flags))
    assert [s for s in asked if s not in texts[0]] == []
    for flag in view.course.flags:
        assert f"({flag.office.value}, by {day(flag.due)})" in texts[0]


@COMMON
@given(cases(), as_of_days())
def test_no_sentence_of_a_generated_case_stands_three_times(facts: CaseFacts, as_of: object) -> None:
    nothing_three_times(seen(facts, as_of))


@settings(COMMON, max_examples=15)
@given(long_cases())
def test_no_sentence_of_a_long_course_stands_three_times(facts: CaseFacts) -> None:
    nothing_three_times(seen(facts))


def test_no_sentence_of_a_judged_test_stands_three_times() -> None:
    random = Random(7)
    for _ in range(100):
        test, before = random_pair(random)
        moved = ago(3) - test.day
        tests = tuple(replace(t, day=t.day + moved) for t in (before, test) if t)
        nothing_three_times(seen(case(sleep_tests=tests)))


def test_an_open_red_flag_tells_its_office_and_its_day() -> None:
    text = plan_text(seen(case(red_flags=(red_flag(RedFlagKind.LOCKED_JAW),))))
    assert "Open red flags" in text
    assert f"Locked jaw (dentist, by {day(ago(1))}):" in text


def test_a_withheld_class_tells_why_and_whose_move_it_is_and_the_goal_stays_open() -> None:
    view = seen(case(sleep_tests=(baseline(), efficacy(3, "4", scoring=Scoring.AUTOMATIC))))
    assert view.response and view.response.response_class is ResponseClass.WITHHELD
    text = plan_text(view)
    assert "Class of response withheld: the test says nothing of the appliance" in text
    assert "Scored by software alone (physician)" in text
    goal = next(g for g in plan_of(view)["contained"] if g["id"] == "goal-efficacy")
    assert goal["achievementStatus"]["coding"][0]["code"] == "in-progress"


def test_the_own_reading_stands_beside_the_class() -> None:
    choice = PhysicianDecision(
        Source("Observation/d", 1),
        Moment(ago(1)),
        PhysicianChoice.CONTINUE,
        own_reading=OwnReading.PARTIAL,
    )
    view = seen(case(sleep_tests=(baseline(), efficacy(3, "4")), physician_decisions=(choice,)))
    assert view.response
    told = next(html for name, (_, html) in letter_parts(view).items() if name == "response")
    first = read(told.split("</p>")[0])
    assert first.strip().startswith("Complete response")
    assert f"The physician's own reading on {day(ago(1))}: partial." in first


def test_questions_stand_by_party_and_thresholds_behind_their_reason_once() -> None:
    view = seen(case(sleep_tests=(baseline(), efficacy(3, "4"))))
    assert {q.party for q in view.questions} >= {Party.SLEEP_LAB}
    html = narrative(view, "AR-1")
    assert "<b>Sleep lab:</b>" in html.split("Open questions")[1]
    notes = [note for held in re.findall(r"<i>(.*?)</i>", html) for note in held.split("; ") if "(" in note]
    assert notes
    assert len(notes) == len(set(notes))
    assert html.count("days at one setting before an efficacy test") == 1
