"""A case decided anew without a message: because a day has passed, a release reads facts otherwise, a patient's record changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

from service.deciding.commitments import Admitted, commitment, touched_by
from service.deciding.decide import decision_state, noted_in, with_birth_date
from service.deciding.decide_case import CaseChange, DecidedCase, Deciding, Ground, decide_case
from service.deciding.fact_rows import facts_after, task_fact
from service.deciding.facts_anew import is_outdated, patient_record, read_anew
from service.deciding.house import House, Occasion
from service.deciding.snapshot import Snapshot
from service.deciding.state import state_in
from service.deciding.superseded import loaded_facts
from service.deciding.versions import as_version
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.dates import instant_after
from service.fhir.facts.assemble import assemble
from service.fhir.json_text import load
from service.rows import Case, Stored
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts
from service.rules.stage import StageName


@dataclass(frozen=True, slots=True)
class AnewChange:
    """A case decided anew: what is to be written of it, and its versions with the entry of the audit as the last."""

    case: CaseChange
    rows: tuple[Stored, ...] = ()


@dataclass(frozen=True, slots=True)
class ReasonAnew:
    """Why a case is decided anew.

    With `keeps_time` the case counts as not changed; with `is_upgrade` it is noted when it comes out otherwise. `admitted`
    are those who see more since.
    """

    why: str
    keeps_time: bool = False
    is_upgrade: bool = False
    admitted: Admitted = Admitted()


def plan_day(
    snapshot: Snapshot, case_number: str, occasion: Occasion, house: House, recorded: bool
) -> AnewChange | None:
    """A case decided anew because a day has passed; None when that was done today.

    Only the case row is written when nothing that matters has changed; with `recorded` the resources always are.
    Facts of another shape are read anew first, and what is decided from them is recorded.
    """
    case, today = snapshot.locked_case(case_number), occasion.today
    if case is None or not is_stale(case, today, recorded):
        return None
    outdated = is_outdated(case)
    ground = ground_of(snapshot, case, house, today)
    facts = assemble(ground.loaded.facts)
    if not (outdated or recorded):
        noted = _noted(ground, facts, house, today)
        if noted:
            return AnewChange(CaseChange(noted))
    last = last_day_of(ground, facts, house) if outdated else None
    why = "decided anew by another release" if outdated else "decided anew for the day"
    reason = ReasonAnew(why, keeps_time=last is not None, is_upgrade=outdated)
    return plan_anew(snapshot, ground, occasion, house, reason, last)


def plan_for_patient(snapshot: Snapshot, case: Case, record: Stored, occasion: Occasion, house: House) -> AnewChange:
    """A case decided anew because the record of its patient changes to `record`, in the same transaction."""
    ground = ground_of(snapshot, case, house, occasion.today)
    closing = next((f.fact for f in patient_record(record)), None)
    ground = replace(ground, reported={record.reference: closing}, versions={record.reference: record.version})
    return plan_anew(snapshot, ground, occasion, house, ReasonAnew("decided anew for the patient's record"))


def plan_anew(
    snapshot: Snapshot,
    ground: Ground,
    occasion: Occasion,
    house: House,
    reason: ReasonAnew,
    last: date | None = None,
) -> AnewChange:
    """A case decided anew as of today, or as of `last`, with the entry of the audit that says why."""
    case = ground.case
    now = instant_after(occasion.moment, case.changed_at)
    deciding = deciding_of(snapshot, case, house, last or occasion.today, now, occasion.ids(case.case_number))
    reported, versions = dict(ground.reported), dict(ground.versions)
    if ground.task is not None:
        reported[case.task] = task_fact(ground.task, ground.loaded.facts)
        versions[case.task] = ground.task.version
    facts = assemble(facts_after(ground.loaded.facts, reported, versions))
    decided = decide_case(ground, facts, deciding)
    after, state = decided.change.case, decided.state
    if reason.is_upgrade:
        stood, stands = came_to(case), came_to(after)
        changed = (occasion.today.isoformat(), stood, stands) if stood != stands else ()
        state = state.but(changed_by_release=changed)
    after = replace(after, derived=state.text(), changed_at=case.changed_at if reason.keeps_time else now)
    return _with_entry(decided, after, deciding, reason)


def _with_entry(decided: DecidedCase, case: Case, deciding: Deciding, reason: ReasonAnew) -> AnewChange:
    new_id, now = deciding.new_id, deciding.now
    commits = commitment(decided.rows, case, reason.admitted)
    done = Interaction("operation", new_id(), reason.why, touched_by(decided.rows), [case.patient], commits=commits)
    entry = as_version(audit_event(done, Asker(), now), new_id(), 1, case.case_number, now)
    return AnewChange(replace(decided.change, case=case), (*decided.rows, entry))


def deciding_of(
    snapshot: Snapshot, case: Case, house: House, on: date, now: str, new_id: Callable[[], str]
) -> Deciding:
    """How a stored case is decided when nothing but the day changes around it."""
    return Deciding(house, on, now, new_id, lambda: snapshot.parties(case.case_number), snapshot.current)


def ground_of(snapshot: Snapshot, case: Case, house: House, today: date) -> Ground:
    """A stored case with the facts that a decision of today reads; read anew when another release stored them."""
    state = state_in(case)
    if is_outdated(case):
        case, state, loaded = read_anew(snapshot, case, state)
    else:
        loaded = loaded_facts(snapshot, case.case_number, state, house.engine, today)
    return Ground(case, state, loaded)


def _noted(ground: Ground, facts: CaseFacts, house: House, today: date) -> Case | None:
    """The case row with the decision of the day; None when that says something new that matters."""
    view = view_case(with_birth_date(facts, ground.state.birth_date), house.site, today)
    if decision_state(view, house.engine) != ground.state.decision_state:
        return None
    return noted_in(view, ground.case, ground.state, house.site.thresholds)


def last_day_of(ground: Ground, facts: CaseFacts, house: House) -> date | None:
    """The day whose decision a closed case keeps; None for one that is not closed, or not by this release's rules.

    The time for which its record is kept does not begin again then, so it counts as not changed.
    """
    if ground.case.stage != StageName.CLOSED:
        return None
    last = date.fromisoformat(ground.case.decided_on)
    view = view_case(with_birth_date(facts, ground.state.birth_date), house.site, last)
    return last if view.stage.name is StageName.CLOSED else None


def is_stale(case: Case, today: date, recorded: bool) -> bool:
    """Whether a case that is not closed was last decided before `today`, or a release with other facts decided it.

    With `recorded`, whether its resources give an earlier day.
    """
    day = case.recorded_on if recorded else case.decided_on
    return is_outdated(case) or (case.stage != StageName.CLOSED and day < today.isoformat())


def came_to(case: Case) -> str:
    """Where the case row says that the case stands: stage, whose move, readiness, next step and response."""
    summary = load(case.summary)
    step, response = summary.get("next_step") or {}, summary.get("response") or {}
    parts = (case.stage, case.whose_move, case.outcome, step.get("outcome"), response.get("outcome"))
    return ", ".join(str(part) for part in parts if part)
