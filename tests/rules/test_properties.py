"""Properties that hold for every case, whatever its facts and their order."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.rules.course import course_on
from service.rules.coverage_us import us_coverage_documentation
from service.rules.decision import Decision, Readiness, Status
from service.rules.ended import ENDED, treatment_ended
from service.rules.facts import CaseFacts, CheckIn, RedFlag, effective_day
from service.rules.follow_up import follow_up
from service.rules.kinds import PhysicianChoice, RedFlagKind
from service.rules.plan import activities_of
from service.rules.questions import questions_of
from service.rules.readiness import assess_readiness
from service.rules.referral import check_referral
from service.rules.response import assess_response
from service.rules.room import at_limit, taken_back_for_side_effect
from service.rules.settled_by_others import ending_decision
from service.rules.source import Moment, Source
from service.rules.stage import stage_of
from service.rules.statistics import proportion_interval, rate_interval
from service.rules.step_size import step_size_mm
from service.rules.time_up import time_is_up
from service.rules.titration import next_step
from tests.short_run import times

from .build import DEFAULTS, projected, readiness
from .cases import TUPLES, as_of_days, cases, orderly_cases, shuffled

modest = settings(max_examples=times(150, 25), deadline=None, suppress_health_check=list(HealthCheck))


def everything(facts: CaseFacts, as_of: date) -> dict:
    """All that the rules say about a case on one day."""
    ready = assess_readiness(facts, DEFAULTS, as_of)
    step = next_step(facts, DEFAULTS, ready)
    response = assess_response(facts, DEFAULTS, as_of)
    follow = follow_up(facts, DEFAULTS, as_of)
    stage = stage_of(facts, ready, step, response, follow, DEFAULTS)
    return {
        "readiness": ready.as_data(),
        "step": step.as_data() if step else None,
        "response": response.as_data() if response else None,
        "stage": stage.as_data(),
        "stage without follow-up": stage_of(facts, ready, step, response, None, DEFAULTS).as_data(),
        "questions": [q.as_data() for q in questions_of(course_on(facts, as_of, DEFAULTS), DEFAULTS)],
        "referral": check_referral(facts, DEFAULTS, as_of).as_data(),
        "coverage": _data(us_coverage_documentation(facts, DEFAULTS, as_of, "US")),
        "follow-up": _data(follow),
        "projection": _data(projected(facts, as_of)),
        "activities": activities_of(facts, stage, step, DEFAULTS),
    }


def written(facts: CaseFacts, as_of: date) -> bytes:
    """The data of every answer of one day, as bytes."""
    return json.dumps({k: v for k, v in everything(facts, as_of).items() if k != "activities"}, default=str).encode()


def _data(answer: Any) -> Any:
    return answer.as_data() if answer else None


@pytest.mark.at_length
@modest
@given(st.data(), cases(), as_of_days())
def test_the_order_in_which_facts_arrived_never_matters(data, facts, as_of):
    turned = data.draw(shuffled(facts))
    assert written(turned, as_of) == written(facts, as_of)
    assert repr(everything(turned, as_of)["activities"]) == repr(everything(facts, as_of)["activities"])


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_the_same_facts_thresholds_and_day_give_the_same_bytes(facts, as_of):
    first = written(facts, as_of)
    rate_interval.cache_clear()
    proportion_interval.cache_clear()
    assert written(replace(facts), as_of) == first


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_facts_after_the_day_of_the_decision_change_nothing(facts, as_of):
    earlier = {k: tuple(f for f in getattr(facts, k) if effective_day(f) <= as_of) for k in TUPLES}
    assert repr(everything(facts, as_of)) == repr(everything(replace(facts, **earlier), as_of))


@pytest.mark.at_length
@modest
@given(cases(), as_of_days(), st.sampled_from(RedFlagKind))
def test_an_open_red_flag_never_leaves_a_case_ready(facts, as_of, kind):
    """Unless the office it is for closed that kind on the very day: a closure answers all facts up to its moment."""
    flag = RedFlag(Source("red_flags/new", 1), Moment(as_of, "23:59:58"), kind)
    closures = tuple(c for c in facts.red_flag_closures if c.moment.day != as_of)
    before = tuple(replace(f, resolved_on=None) if f.resolved_on == as_of else f for f in facts.red_flags)
    decision = readiness(replace(facts, red_flags=(*before, flag), red_flag_closures=closures), as_of)
    assert decision.outcome == Readiness.STOP_AND_REVIEW
    assert decision.urgent


def more_settled(report: CheckIn, by: Decimal) -> CheckIn:
    return replace(
        report,
        snoring=None if report.snoring is None else max(report.snoring - by, Decimal(0)),
        restedness=None if report.restedness is None else min(report.restedness + by, Decimal(10)),
        epworth_total=None if report.epworth_total is None else max(report.epworth_total - int(by), 0),
        witnessed_pauses=False,
    )


@pytest.mark.at_length
@settings(modest, max_examples=times(600, 60))
@given(orderly_cases(), as_of_days(), st.integers(0, 8).map(Decimal), st.sets(st.integers(0, 4)))
def test_more_settled_symptoms_never_make_a_ready_case_less_ready(facts, as_of, by, which):
    course = course_on(facts, as_of, DEFAULTS)
    if readiness(facts, as_of).outcome != Readiness.READY:
        return
    since = [c for c in course.check_ins if c.moment.day > facts.appliances[0].delivered_on]
    chosen = {c.source for i, c in enumerate(since) if i in which}
    better = tuple(more_settled(c, by) if c.source in chosen else c for c in facts.check_ins)
    if course_on(replace(facts, check_ins=better), as_of, DEFAULTS).flags:
        return  # a better first total is what later ones are compared with, and a rise above it is a red flag
    assert readiness(replace(facts, check_ins=better), as_of).outcome == Readiness.READY


def outcome_by_precedence(facts: CaseFacts, decision: Decision) -> Readiness:
    """The outcome as the written rule derives it from the facts settled by others and the statuses of the criteria."""
    course = course_on(facts, decision.as_of, DEFAULTS)
    if course.flags or any(e.grade == 3 for e in course.open_side_effects):
        return Readiness.STOP_AND_REVIEW
    if treatment_ended(course):
        return Readiness.DECIDED if course.stopped_on else Readiness.NOT_YET
    tested = course.result.test.day if course.result else date.min
    if any(o.day > tested for o in course.known.test_orders):
        return Readiness.ORDERED
    onward = {PhysicianChoice.CONTINUE, PhysicianChoice.KEEP_TITRATING, PhysicianChoice.ADVANCE_AND_RETEST}
    answers = [d.moment.day for d in course.known.physician_decisions if d.own_reading or d.choice not in onward]
    if any(t.alarms and t.test.day > max(answers, default=date.min) for t in course.judged):
        return Readiness.RESULT_IN
    mine = course.result and course.appliance and tested >= course.appliance.delivered_on
    if mine and course.decided is None:
        return Readiness.RESULT_IN
    if ending_decision(course):
        return Readiness.DECIDED
    by_status = {s: {c.name for c in decision.criteria if c.status is s} for s in Status}
    unmet, unknown = by_status[Status.UNMET], by_status[Status.UNKNOWN]
    if not unmet and not unknown:
        return Readiness.READY
    only_symptoms = unmet <= {"snoring-settled", "sleepiness-settled", "no-witnessed-pauses"}
    no_more = course.setting is not None and (
        at_limit(course, DEFAULTS)
        or step_size_mm(course, DEFAULTS, beyond_standard=True) <= 0
        or taken_back_for_side_effect(course, facts, DEFAULTS)
        or course.no_further is not None
    )
    if only_symptoms and not unknown and no_more:
        return Readiness.READY_AT_LIMIT
    if time_is_up(course, DEFAULTS):
        return Readiness.ASK_PHYSICIAN
    return Readiness.NOT_YET if unmet else Readiness.CANNOT_SAY


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_the_outcome_follows_from_the_criteria_by_the_written_precedence(facts, as_of):
    decision = readiness(facts, as_of)
    assert decision.outcome == outcome_by_precedence(facts, decision)


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_every_open_point_says_when_or_who_or_what_is_missing(facts, as_of):
    decision = readiness(facts, as_of)
    for item in decision.criteria:
        if item.status is Status.MET:
            assert not (item.earliest or item.needs or item.missing)
        else:
            assert bool(item.earliest) != bool(item.needs)
            assert bool(item.missing) == (item.status is Status.UNKNOWN)
        assert item.earliest is None or item.earliest > as_of
    if decision.outcome in (Readiness.NOT_YET, Readiness.CANNOT_SAY) and decision.earliest:
        assert decision.earliest > as_of


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_every_input_is_a_fact_of_the_case_known_that_day(facts, as_of):
    known = {f.source for k in TUPLES for f in getattr(facts.known_on(as_of), k)}
    known |= {s for t in facts.known_on(as_of).sleep_tests for s in t.measure_sources}
    known |= {a.limits_from for a in facts.known_on(as_of).appliances}
    held = facts.known_on(as_of).referral
    if held and (held.day <= as_of or held.state in ENDED):  # an ended referral has no day but that of its state
        known.add(held.source)
    assert set(readiness(facts, as_of).inputs) <= known
    said = everything(facts, as_of)
    for answer in (said[k] for k in ("step", "response", "referral", "coverage", "follow-up") if said[k]):
        assert {Source(i["reference"], i["version"]) for i in answer["inputs"]} <= known


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_nobody_is_lost_between_the_two_offices(facts, as_of):
    said = everything(facts, as_of)
    line, follow, response = said["stage"], said["follow-up"], said["response"]
    if line["stage"] == "closed":
        return
    if line["whose_move"] == "nobody":
        assert (line["stage"], follow["outcome"]) == ("in-follow-up", "nothing-due")
    if follow is None:
        return
    waiting = {c["title"].lower(): c["name"] for c in follow["criteria"] if c["status"] == "attention"}
    for title, name in waiting.items():
        relapse_told = name == "symptoms-after-good-test" and response and (response["relapse"] or "?") in line["why"]
        assert title in line["why"].lower() or relapse_told, line["why"]
    if follow["outcome"] == "back-to-physician":
        step_back = said["step"] is not None and said["step"]["outcome"] == "step-back"
        dental_first = line["urgent"] or step_back
        assert line["whose_move"] == ("dentist" if dental_first and line["whose_move"] == "dentist" else "physician")
    if follow["outcome"] == "dentist-review":
        assert line["whose_move"] in ("dentist", "physician")


def good_reports_until(facts: CaseFacts, as_of: date, until: date) -> CaseFacts:
    """The case with what would come in if all goes well: weekly check-ins of full wear and settled symptoms."""
    course = course_on(facts, as_of, DEFAULTS)
    worn = [c.moment.day for c in course.check_ins if c.nights_reported and c.nights_worn is not None]
    last = course.check_ins[-1].moment.day if course.check_ins else course.onset
    assert last and course.onset
    day = max(last + timedelta(days=7), as_of + timedelta(days=1))
    days = []
    while day < until:
        days.append(day)
        day += timedelta(days=7)
    new, told_until = [], worn[-1] if worn else course.onset
    for i, on in enumerate([*days, until]):
        nights = (on - told_until).days
        new.append(
            CheckIn(
                Source(f"new/{i}", 1),
                Moment(on, "23:59:59"),
                snoring=Decimal(1),
                restedness=Decimal(9),
                epworth_total=0,
                nights_reported=nights,
                nights_worn=nights,
                hours_per_night=Decimal(8),
                witnessed_pauses=False,
            )
        )
        told_until = on
    known = facts.known_on(as_of)
    return replace(known, check_ins=(*known.check_ins, *new))


@pytest.mark.at_length
@modest
@given(cases(), as_of_days())
def test_the_earliest_date_holds_when_all_goes_well(facts, as_of):
    decision = readiness(facts, as_of)
    if decision.outcome not in (Readiness.NOT_YET, Readiness.CANNOT_SAY) or decision.earliest is None:
        return
    known = facts.known_on(as_of)
    appliances = tuple(a if a.ended_on and a.ended_on <= as_of else replace(a, ended_on=None) for a in known.appliances)
    effects = tuple(
        e if e.onset <= as_of and not (e.ended_on and e.ended_on > as_of) else replace(e, grade=0)
        for e in known.side_effects
    )
    referral = known.referral and replace(known.referral, state_since=())
    lasting = replace(facts, referral=referral, appliances=appliances, side_effects=effects)
    then = readiness(good_reports_until(lasting, as_of, decision.earliest), decision.earliest)
    assert then.outcome == Readiness.READY, [c.sentence for c in then.criteria if c.status is not Status.MET]


@pytest.mark.long
def test_generated_cases_reach_every_outcome():
    seen: Counter[str] = Counter()

    @settings(
        max_examples=1000, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    @given(cases(), as_of_days())
    def count(facts, as_of):
        seen[readiness(facts, as_of).outcome] += 1

    count()
    assert set(seen) == set(Readiness), seen
