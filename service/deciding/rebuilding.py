"""A case made anew from the versions of its resources: facts, decision and case row, whatever is stored of them. Pure."""

from __future__ import annotations

from dataclasses import replace

from service.deciding.anew import AnewChange, ReasonAnew, last_day_of, plan_anew
from service.deciding.decide_case import Ground
from service.deciding.facts_anew import read_anew
from service.deciding.house import House, Occasion
from service.deciding.snapshot import Snapshot
from service.deciding.state import state_in
from service.fhir.facts.assemble import assemble
from service.rows import Case, FactText


def plan_rebuilding(snapshot: Snapshot, case_number: str, occasion: Occasion, house: House) -> AnewChange | None:
    """What is to be written so that a case is what its resources say; None when it is that already.

    A closed case is decided as of its last day. A version is made only of a resource of the service whose content is
    another one now.
    """
    stored = snapshot.locked_case(case_number)
    if stored is None:
        return None
    case, state, loaded = read_anew(snapshot, stored, state_in(stored))
    ground = Ground(case, state, loaded)
    last = last_day_of(ground, assemble(loaded.facts), house)
    reason = ReasonAnew("made anew from the resources", keeps_time=last is not None)
    anew = plan_anew(snapshot, ground, occasion, house, reason, last)
    if _is_as_stored(anew, stored) and _rows_after(anew) == frozenset(snapshot.facts(case_number, False)):
        return None
    return anew


def _is_as_stored(anew: AnewChange, stored: Case) -> bool:
    """Whether the case row and the decisions come out as they are.

    The record of the run alone may differ: its hash covers the Task, of which the decision itself makes a version.
    """
    after, before = anew.case.case, state_in(stored)
    same_row = replace(after, changed_at=stored.changed_at, derived=stored.derived) == stored
    state = state_in(after).but(versions=before.versions, indexed=before.indexed)
    return same_row and state == before and {row.type for row in anew.rows} <= {"AuditEvent", "GuidanceResponse"}


def _rows_after(anew: AnewChange) -> frozenset[FactText]:
    """The fact rows of the case once the change is written."""
    superseded = set(anew.case.marks.superseded)
    return frozenset(replace(row, spent=(row.type, row.id) in superseded) for row in anew.case.facts.added)
