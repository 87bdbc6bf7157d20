"""What a message does to its case: the referral's moves, the facts after it, the decision."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from service.deciding.decide_case import CaseChange, Deciding, Ground, decide_case
from service.deciding.fact_rows import facts_after, state_of, task_fact
from service.deciding.facts_anew import remembering
from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.deciding.superseded import LoadedFacts, loaded_facts
from service.deciding.versions import as_version
from service.errors import Problem
from service.fhir.build import SHARED
from service.fhir.facts.fact import Fact, day_reported
from service.fhir.json_text import load
from service.fhir.read_facts import read
from service.fhir.read_observation import is_red_flag_closure
from service.fhir.read_other import is_referral
from service.inbound.plain import Mapped
from service.intake import checks, missing_index, patients, which_case
from service.intake.identified import Identified
from service.intake.referral import moves, moves_of_message
from service.intake.sender import Sender
from service.rows import Case, Stored
from service.rules.case_view import CaseView


@dataclass(frozen=True, slots=True)
class AboutCase:
    """A message about a case: what it holds, who sends it, whether it opens the case, and its own versions.

    `read_anew` are the facts of the case when another release had stored them.
    """

    mapped: Mapped
    items: tuple[Identified, ...]
    sender: Sender
    opened: bool
    read_anew: LoadedFacts | None
    rows: tuple[Stored, ...]


@dataclass(frozen=True, slots=True)
class CaseOutcome:
    """What a message comes to: every version to be written, and of its case what else is, the view of it, and notes."""

    rows: tuple[Stored, ...]
    change: CaseChange | None = None
    view: CaseView | None = None
    notes: tuple[str, ...] = ()
    warnings: Mapping[str, tuple[Problem, ...]] = field(default_factory=dict)


def plan_case(
    snapshot: Snapshot,
    message: AboutCase,
    known: tuple[Case, CaseState],
    reported: Mapping[str, Fact | None],
    deciding: Deciding,
) -> CaseOutcome:
    """The case after a message. Refused with what the message may not do to it.

    `known` are row and state of the case before, `reported` the facts of the message by reference.
    """
    case, state = known
    loaded = _loaded(snapshot, message, case, state, reported, deciding)
    if message.opened:
        moved, case, state = _opening(snapshot, message, case, state, deciding)
    else:
        moved, case, state = _moved(snapshot, message, (case, state, loaded), reported, deciding)
    others = {(r.type, r.id): r for r in message.rows if r.reference != case.task}
    facts = dict(reported) | patients.read_from(message.rows, case)
    versions = {i.reference: i.version for i in message.items}
    for row in moved.others:
        others[row.type, row.id] = row
        facts[row.reference], _ = read(load(row.body), row.type)
        versions[row.reference] = row.version
    before = loaded.facts
    if moved.task is not None:
        facts[case.task], versions[case.task] = task_fact(moved.task, before), moved.task.version
    after = facts_after(before, facts, versions)
    assembled, remarks = checks.check_case(message.items, before, after, deciding.house.site.thresholds)
    ground = Ground(case, remembering(state, after), loaded, moved.task, facts, versions)
    decided = decide_case(ground, assembled, _amid(deciding, message.rows))
    return CaseOutcome(
        rows=(*others.values(), *decided.rows),
        change=decided.change,
        view=decided.view,
        notes=(*moved.notes, *remarks),
        warnings=missing_index.warnings_of(message.items, assembled),
    )


def _loaded(
    snapshot: Snapshot,
    message: AboutCase,
    case: Case,
    state: CaseState,
    reported: Mapping[str, Fact | None],
    deciding: Deciding,
) -> LoadedFacts:
    if message.opened:
        return LoadedFacts()
    if message.read_anew is not None:
        return message.read_anew
    late = _is_late(message.items, reported, state)
    return loaded_facts(snapshot, case.case_number, state, deciding.house.engine, deciding.on, late)


def _is_late(items: Iterable[Identified], reported: Mapping[str, Fact | None], state: CaseState) -> bool:
    """Whether a message is about the days before the marks of superseded facts count, or corrects an earlier one."""
    for item in items:
        if not item.written or item.draft.type in SHARED or item.draft.type == "Task":
            continue
        fact = reported.get(item.reference)
        day = day_reported(fact) if fact else None
        if item.what != "created" or (day and day.isoformat() < state.superseded_before):
            return True
    return False


def _task_of(message: AboutCase, case: Case) -> Stored | None:
    """The Task's version when the message itself writes it."""
    return next((row for row in message.rows if row.reference == case.task), None)


def _opening(
    snapshot: Snapshot, message: AboutCase, case: Case, state: CaseState, deciding: Deciding
) -> tuple[moves.Moved, Case, CaseState]:
    """A new referral: its Task, and what must be true of its patient and offices."""
    moves_of_message.check_opening(message.items, message.sender)
    order = next(i for i in message.items if is_referral(i.resource))
    patients.check_opening(snapshot, case, message.items, order)
    state = state.but(birth_date=_birth_date(snapshot, message, case, order, deciding))
    task = _task_of(message, case)
    if task is None:
        body = moves.new_task(case, deciding.now)
        task = as_version(body, body["id"], 1, case.case_number, deciding.now)
    task, state = moves.with_delivery(snapshot, case, state, task, deciding.now)
    return moves.Moved(task), case, state


def _birth_date(snapshot: Snapshot, message: AboutCase, case: Case, order: Identified, deciding: Deciding) -> str:
    """The patient's birth date, empty when it is not known to the day. Refused unless an adult when referred."""
    person = next((i for i in message.items if i.reference == case.patient), None)
    path = (person.draft.date_path or f"{person.draft.path}.birthDate") if person else order.draft.path
    stored = None if person else snapshot.current(case.patient)
    patient = person.resource if person else load(stored.body) if stored else {}
    return checks.check_age(patient, order.resource, path, deciding.house.site.thresholds)


def _moved(
    snapshot: Snapshot,
    message: AboutCase,
    known: tuple[Case, CaseState, LoadedFacts],
    reported: Mapping[str, Fact | None],
    deciding: Deciding,
) -> tuple[moves.Moved, Case, CaseState]:
    """The moves of a referral that is there. Refused where its record is closed."""
    case, state, loaded = known
    before = loaded.facts
    versions = {i.reference: i.version for i in message.items}
    at = moves.Situation(
        snapshot=snapshot,
        case=case,
        state=state,
        sender=message.sender,
        before=before,
        known=facts_after(before, reported, versions),
        now=deciding.now,
        today=deciding.on.isoformat(),
        new_id=deciding.new_id,
    )
    implied = bool(message.mapped.drafts)
    moved = moves_of_message.moved(at, message.items, message.mapped.move, implied, _task_of(message, case))
    state = state.but(moved_on=moved.on or state.moved_on)
    follows = which_case.following_referral(message.items, case)
    task = moved.task
    if follows.dental_office != case.dental_office:
        task = moves.with_owner(at, follows, task)
    task, state = moves.with_delivery(snapshot, follows, state, task, deciding.now)
    if any((i.written or i.what == "deleted") and not is_red_flag_closure(i.resource) for i in message.items):
        moves.check_open(case, state_of(before))
    return replace(moved, task=task), follows, state


def _amid(deciding: Deciding, rows: Iterable[Stored]) -> Deciding:
    """Deciding with the message's own versions in place of those stored."""
    own = {row.reference: row for row in rows}
    return replace(deciding, stored=lambda reference: own.get(reference) or deciding.stored(reference))
