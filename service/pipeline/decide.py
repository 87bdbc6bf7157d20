"""From the facts of a case to its decision, CarePlan and everything that records them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from service.fhir.build import Resource, ref
from service.fhir.care_plan import CaseView, care_plan
from service.fhir.decision_resources import (
    CAUTION,
    decision_observation,
    decision_provenance,
    facts_hash,
    inputs_hash,
    response_observation,
    run_record,
)
from service.fhir.proposal import approval_task, proposal_id, test_proposal
from service.pipeline.derived import Derived
from service.rules.course import course_on
from service.rules.decision import Readiness
from service.rules.facts import CaseFacts
from service.rules.plan import activities_of
from service.rules.projection import project
from service.rules.referral import check_referral
from service.rules.response import assess_response
from service.rules.retest import assess_readiness
from service.rules.stage import stage_of
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step
from service.store.cases import Case

_READY = (Readiness.READY, Readiness.READY_AT_LIMIT)


def with_birth_date(facts: CaseFacts, birth_date: str) -> CaseFacts:
    """The facts with the patient's birth date, which belongs to no single case, in the referral."""
    if facts.referral is None or not birth_date:
        return facts
    return replace(facts, referral=replace(facts.referral, birth_date=date.fromisoformat(birth_date)))


def view_of(case_number: str, facts: CaseFacts, thresholds: Thresholds, as_of: date) -> CaseView:
    """Everything the rules say of a case on a day."""
    readiness = assess_readiness(facts, thresholds, as_of)
    step = next_step(facts, thresholds, readiness)
    response = assess_response(facts, thresholds, as_of)
    return CaseView(case_number, facts, readiness, step, response, stage_of(facts, readiness, step, response))


def summary_of(view: CaseView, thresholds: Thresholds) -> dict[str, Any]:
    """The case as JSON-ready data for people's systems: stage, decision with reasons, step, response, plan."""
    plan = project(view.facts, thresholds, view.readiness.as_of)
    return {
        "case_number": view.case_number,
        "as_of": view.readiness.as_of.isoformat(),
        **view.stage.as_data(),
        "readiness": view.readiness.as_data(),
        "inputs_sha256": inputs_hash(view.readiness),
        "next_step": view.step.as_data() if view.step else None,
        "response": view.response.as_data() if view.response else None,
        "referral_check": check_referral(view.facts, thresholds, view.readiness.as_of).as_data(),
        "projected_plan": plan.as_data() if plan else None,
        "activities": [
            {"title": a.title, "instruction": a.instruction, "when": a.when or None}
            for a in activities_of(view.facts, view.stage, view.step, thresholds)
        ],
        "caution": CAUTION,
    }


def record(view: CaseView, case: Case, derived: Derived, thresholds: Thresholds, now: str) -> None:
    """Put the decision, its records and the CarePlan among the resources to write, and fill the case row."""
    subject, referral = ref(case.patient), ref(case.referral)
    number, as_of = case.case_number, view.readiness.as_of.isoformat()
    before = len(derived.rows)
    targets = [derived.put(decision_observation(view.readiness, f"{number}-readiness", subject, referral), now)]
    if view.step:
        targets.append(derived.put(decision_observation(view.step, f"{number}-next-step", subject, referral), now))
    if view.response:
        built = response_observation(view.response, f"{number}-response", subject, referral)
        targets.append(derived.put(built, now))
    supporting = [ref(t.reference) for t in targets] + _propose(view, case, derived, now)
    supporting += [ref(t.source.reference) for t in sorted(view.facts.sleep_tests, key=lambda t: (t.day, t.source))]
    plan = care_plan(
        view,
        thresholds,
        subject=subject,
        referral=referral,
        conditions=[ref(c) for c in derived.conditions],
        supporting=supporting,
    )
    targets.append(derived.put(plan, now))
    run = run_record(
        view.readiness, f"{number}-readiness-run", subject, as_of, f"CarePlan/{number}", facts_hash(view.facts)
    )
    derived.put(run, now)
    if len(derived.rows) > before:
        inputs = set(view.readiness.inputs) | set(view.step.inputs if view.step else ())
        inputs |= set(view.response.inputs if view.response else ())
        provenance = decision_provenance(f"{number}-decision", targets, sorted(inputs), now)
        derived.put(provenance, now)
    stage = view.stage
    case.decided_on, case.changed_at, case.outcome = as_of, now, view.readiness.outcome
    case.stage, case.whose_move = stage.name.value, stage.whose_move.value
    case.waiting_since, case.urgent = stage.since.isoformat(), stage.urgent


def _propose(view: CaseView, case: Case, derived: Derived, now: str) -> list[Resource]:
    """Keep one proposal per setting: draft while ready, completed once ordered, revoked when it no longer holds."""
    onset = course_on(view.facts, view.readiness.as_of).onset
    known = view.facts.known_on(view.readiness.as_of)
    ready = view.readiness.outcome in _READY
    current = proposal_id(case.case_number, onset.isoformat()) if onset else ""
    ordered = onset is not None and any(o.day >= onset for o in known.test_orders)
    if ready and current not in derived.proposals:
        derived.proposals[current] = [view.readiness.as_of.isoformat(), ""]
    shown: list[Resource] = []
    for resource_id, (on, was) in list(derived.proposals.items()):
        holds = "completed" if ordered else "draft" if ready else "revoked"
        status = holds if resource_id == current else "revoked"
        if status == "revoked" and was == "completed":
            continue
        if status != was:
            _write_proposal(view, case, derived, resource_id, on, status, now)
        if status != "revoked":
            shown.append(ref(f"ServiceRequest/{resource_id}"))
    return shown


def _write_proposal(
    view: CaseView, case: Case, derived: Derived, resource_id: str, on: str, status: str, now: str
) -> None:
    number, subject = case.case_number, ref(case.patient)
    decision = ref(f"Observation/{number}-readiness")
    proposal = test_proposal(resource_id, status, subject, ref(case.referral), decision, view.readiness.sentence, on)
    derived.put(proposal, now)
    states = {"draft": "requested", "completed": "completed", "revoked": "cancelled"}
    physician = ref(case.physician) if case.physician else None
    address = f"ServiceRequest/{resource_id}"
    derived.put(approval_task(f"{resource_id}-task", states[status], subject, address, physician, on), now)
    derived.proposals[resource_id] = [on, status]
