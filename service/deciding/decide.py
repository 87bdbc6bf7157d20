"""From the facts of a case to its decision, CarePlan and everything that records them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.deciding.house import House
from service.deciding.state import CaseState
from service.deciding.versions import OwnResources
from service.fhir.build import Resource, ref
from service.fhir.care_plan import care_plan
from service.fhir.decision_observation import About, decision_observation
from service.fhir.decision_records import decision_provenance, facts_hash, inputs_hash, run_record
from service.fhir.engine import CAUTION
from service.fhir.json_text import write, write_canonical
from service.fhir.proposal import approval_task, proposal_id, test_proposal
from service.fhir.response_observation import response_observation
from service.rows import Case, Stored
from service.rules.case_view import CaseView
from service.rules.decision import Decision, Readiness
from service.rules.facts import CaseFacts
from service.rules.overdue import overdue_from
from service.rules.settled_by_others import open_order
from service.rules.source import Source
from service.rules.thresholds import Thresholds

_READY = (Readiness.READY, Readiness.READY_AT_LIMIT)


def with_birth_date(facts: CaseFacts, birth_date: str) -> CaseFacts:
    """The facts with the patient's birth date, which belongs to no single case, in the referral."""
    if facts.referral is None or not birth_date:
        return facts
    return replace(facts, referral=replace(facts.referral, birth_date=date.fromisoformat(birth_date)))


def summary_of(case_number: str, view: CaseView) -> dict[str, Any]:
    """The case as JSON-ready data for people's systems: stage, decisions with reasons, plan, and the caution."""
    return {
        "case_number": case_number,
        **view.as_data(),
        "inputs_sha256": inputs_hash(view.readiness),
        "caution": CAUTION,
    }


def decided(view: CaseView, number: str, about: About) -> list[Resource]:
    """Every decision of the view as an Observation, under an id that follows from the case number."""
    followed = view.follow_up.decision if view.follow_up else None
    decisions = (
        ("readiness", view.readiness),
        ("next-step", view.step),
        ("referral-check", view.referral_check),
        ("us-coverage-documentation", view.coverage),
        ("follow-up", followed),
    )
    found = [decision_observation(d, f"{number}-{name}", about) for name, d in decisions if d]
    if view.response:
        found.append(response_observation(view.response, f"{number}-response", about))
    return found


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision as it is to be kept: the case row, the state of the case, and the versions that give it."""

    case: Case
    state: CaseState
    rows: tuple[Stored, ...] = ()


def record(view: CaseView, case: Case, state: CaseState, house: House, now: str) -> Decided:
    """The decisions, their records and the CarePlan as versions, as far as they changed, and the case row with them."""
    subject, referral = ref(case.patient), ref(case.referral)
    number, engine = case.case_number, house.engine
    own = OwnResources(state, number, now)
    targets = [own.put(made) for made in decided(view, number, About(subject, referral, engine))]
    proposals, shown = _propose(view, case, state, own)
    supporting = [ref(t.reference) for t in targets] + shown
    supporting += [ref(t.source.reference) for t in sorted(view.facts.sleep_tests, key=lambda t: (t.day, t.source))]
    plan = care_plan(
        view,
        number,
        subject=subject,
        referral=referral,
        conditions=[ref(c) for c in state.conditions],
        supporting=supporting,
        replaces=[ref(f"CarePlan/{case.replaces}")] if case.replaces else [],
    )
    targets.append(own.put(plan))
    own.put(
        run_record(
            view.readiness, f"{number}-readiness-run", subject, engine, f"CarePlan/{number}", facts_hash(view.facts)
        )
    )
    if own.rows:
        own.put(decision_provenance(f"{number}-decision", targets, view.inputs, engine, now))
    state = own.state().but(proposals=proposals, decision_state=decision_state(view, engine))
    noted = noted_in(view, case, state, house.site.thresholds)
    return Decided(replace(noted, recorded_on=view.as_of.isoformat(), changed_at=now), state, tuple(own.rows))


def noted_in(view: CaseView, case: Case, state: CaseState, thresholds: Thresholds) -> Case:
    """The case row with the decision: where the case stands today, without a resource that says so."""
    stage = view.stage
    return replace(
        case,
        decided_on=view.as_of.isoformat(),
        outcome=view.readiness.outcome,
        stage=stage.name.value,
        whose_move=stage.whose_move.value,
        waiting_since=stage.since.isoformat(),
        urgent=stage.urgent,
        overdue_from=overdue_day(view, state, thresholds),
        summary=write(summary_of(case.case_number, view)),
    )


def decision_state(view: CaseView, engine: Source) -> str:
    """A digest of what matters of a decision: two days with the same one need not be recorded apart.

    Outcomes, how each criterion came out, stage and whose move, targets, visits, proposals, what is to be done; not the
    day, nor the days counted up to it.
    """
    followed = view.follow_up.decision if view.follow_up else None
    decisions = [d for d in (view.readiness, view.step, view.referral_check, view.coverage, followed) if d]
    response = view.response
    said = {
        "stage": [view.stage.name, view.stage.whose_move, view.stage.since.isoformat(), view.stage.urgent],
        "questions": [q.sentence for q in view.questions],
        "red_flags": [[f.kind, f.since.day.isoformat()] for f in view.course.flags],
        "withdrawn_flags": [f.sentence for f in view.withdrawn],
        "decisions": [_came_out(d) for d in decisions],
        "response": [response.response_class, [s.act for s in response.suggestions]] if response else [],
        "relapse": bool(response and response.relapse),
        "visits": [[v.office, v.due.isoformat(), v.state] for v in view.follow_up.visits] if view.follow_up else [],
        "activities": [a.title for a in view.activities],
        "proposal": list(_proposed(view)),
        "rules": engine.version,
    }
    return hashlib.sha256(write_canonical(said).encode()).hexdigest()[:32]


def _came_out(decision: Decision) -> list[Any]:
    targets = [str(mm) for mm in (decision.target_left_mm, decision.target_right_mm)]
    criteria = [[c.name, c.status] for c in decision.criteria]
    return [decision.rule, decision.outcome, decision.whose_move, decision.urgent, targets, criteria]


def _proposed(view: CaseView) -> tuple[str, bool, bool]:
    """What a test would be proposed for, whether the case is ready for one, and whether one is ordered.

    That is the setting by its first day; once tested, it is the next test of it, as an order completes a proposal for good.
    A case that is ready has no open order.
    """
    course = view.course
    onset, tested = course.onset, course.result.test.day if course.result else None
    ready, waits = view.readiness.outcome in _READY, open_order(course) is not None
    if onset is None:
        return "", ready, waits
    if tested and tested >= onset and (ready or waits):
        return f"{onset.isoformat()}-after-{tested.isoformat()}", ready, waits
    return onset.isoformat(), ready, waits or any(o.day >= onset for o in course.known.test_orders)


def overdue_day(view: CaseView, state: CaseState, thresholds: Thresholds) -> str | None:
    """The day from which the case is overdue if nothing happens; a proposed test waits since it was proposed."""
    proposed = [date.fromisoformat(on) for on, status in state.proposals.values() if status == "draft"]
    found = overdue_from(view.stage, view.facts, view.follow_up, thresholds, view.as_of, max(proposed, default=None))
    return found.isoformat() if found else None


def _propose(
    view: CaseView, case: Case, state: CaseState, own: OwnResources
) -> tuple[dict[str, tuple[str, str]], list[Resource]]:
    """The proposals as they now are, and those that are shown: one per setting and test.

    One is draft while ready, completed once ordered, revoked when it no longer counts. Those that wait or are ordered are
    shown, until the result is in.
    """
    what, ready, ordered = _proposed(view)
    current = proposal_id(case.case_number, what) if what else ""
    proposals = dict(state.proposals)
    if ready and current not in proposals:
        proposals[current] = (view.readiness.as_of.isoformat(), "")
    past = view.readiness.outcome in (Readiness.RESULT_IN, Readiness.DECIDED)
    shown: list[Resource] = []
    for resource_id, (on, was) in list(proposals.items()):
        counts_as = "completed" if ordered else "draft" if ready else "revoked"
        status = counts_as if resource_id == current else "revoked"
        if status == "revoked" and was == "completed":
            continue
        if status != was:
            _write_proposal(view, case, own, resource_id, (on, status))
            proposals[resource_id] = (on, status)
        if status != "revoked" and not past:
            shown.append(ref(f"ServiceRequest/{resource_id}"))
    return proposals, shown


def _write_proposal(view: CaseView, case: Case, own: OwnResources, resource_id: str, proposal: tuple[str, str]) -> None:
    on, status = proposal
    number, subject = case.case_number, ref(case.patient)
    decision = ref(f"Observation/{number}-readiness")
    own.put(test_proposal(resource_id, status, subject, ref(case.referral), decision, view.readiness.sentence, on))
    states = {"draft": "requested", "completed": "completed", "revoked": "cancelled"}
    physician = ref(case.physician) if case.physician else None
    address = f"ServiceRequest/{resource_id}"
    own.put(approval_task(f"{resource_id}-task", states[status], subject, address, physician, on))
