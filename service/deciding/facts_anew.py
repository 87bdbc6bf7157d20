"""Facts read anew from the resources of a case, when those stored were read by a release with another shape of facts.

The resources are what was sent, and stay; facts are what this release reads from them. A resource may have been taken in
under other checks than today's: what of it can be read counts, and a resource of which no fact is left counts as none.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.deciding.superseded import LoadedFacts
from service.fhir.counted import closing_record
from service.fhir.engine import is_engine
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.moves import with_moves
from service.fhir.facts.referral import ClosingRecordFact, DiagnosisFact, TaskFact
from service.fhir.facts.treatment import ApplianceUseFact
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load
from service.fhir.read_facts import is_withdrawn, read
from service.rows import Case, Stored, split
from service.rules.source import Source

_log = logging.getLogger("airway_relay")


def is_outdated(case: Case) -> bool:
    """Whether the facts of a case were read by a release with another shape of facts."""
    return case.facts_shape != facts_shape()


def read_anew(snapshot: Snapshot, case: Case, state: CaseState) -> tuple[Case, CaseState, LoadedFacts]:
    """The facts of a case as this release reads them, so that it is decided from them whatever was noted of its last decision."""
    facts = facts_in(snapshot, case)
    state = remembering(state, facts).decided_anew()
    return replace(case, facts_shape=facts_shape()), state, LoadedFacts(tuple(facts), read_anew=True)


def facts_in(snapshot: Snapshot, case: Case) -> list[StoredFact]:
    """The facts in the current resources of a case; a Task's with the moves that its earlier versions give."""
    return facts_among(snapshot.sent(case.case_number), patient_record(snapshot.current(case.patient)))


def facts_among(rows: Iterable[Stored], patient: Sequence[StoredFact]) -> list[StoredFact]:
    """The facts in versions in the order of time, current ones and of Tasks every one, and in the `patient`'s record."""
    found: dict[str, StoredFact] = {}
    doubtful: set[str] = set()
    for row in rows:
        reference = f"{row.type}/{row.id}"
        before = found.pop(reference, None)
        fact, whole = fact_in(row, before)
        if fact is not None:
            found[reference] = StoredFact(Source(reference, row.version), fact)
        if not whole:
            doubtful.add(reference)
    held = [*found.values(), *patient]
    try:
        assemble(held)
    except Exception as error:
        if not doubtful:
            raise
        _tell_unread(sorted({split(reference)[0] for reference in doubtful}), error)
        held = [f for f in held if f.source.reference not in doubtful]
    return held


def patient_record(row: Stored | None) -> list[StoredFact]:
    """What the current record of a patient says that closes the patient's cases; empty while it says nothing of the kind."""
    fact = closing_in(row) if row else None
    return [StoredFact(Source(row.reference, row.version), fact)] if row and fact else []


def closing_in(row: Stored) -> ClosingRecordFact | None:
    """What a version of a patient's record says that closes the patient's cases."""
    return None if row.deleted else closing_record(load(row.body), date.fromisoformat(row.last_updated[:10]))


def fact_in(row: Stored, before: StoredFact | None = None) -> tuple[Fact | None, bool]:
    """The fact in a stored version, None when it holds none, and whether today's checks have nothing to say of it.

    `before` is the fact in the version before it. Never raises.
    """
    if row.deleted:
        return None, True
    try:
        body = load(row.body)
        if is_engine(body.get("device")):
            return None, True
        fact, problems = read(body, row.type)
        if isinstance(fact, TaskFact):
            fact = with_moves(fact, before.fact if before and isinstance(before.fact, TaskFact) else None)
        if fact is None and problems and not is_withdrawn(body):
            raise ValueError(row.type)
    except Exception as error:
        _tell_unread([row.type], error)
        return None, False
    return fact, not problems


def _tell_unread(kinds: Iterable[str], error: Exception) -> None:
    told = {"types": list(kinds), "error": type(error).__name__}
    _log.warning("stored resources are not read as facts", extra={"told": told})


def remembering(state: CaseState, facts: Sequence[StoredFact]) -> CaseState:
    """With what messages and the CarePlan refer to: the appliance delivered last, the diagnoses."""
    uses = [f.fact for f in facts if isinstance(f.fact, ApplianceUseFact)]
    last = max(uses, key=lambda use: (use.delivered_on, use.device), default=None)
    diagnoses = sorted(f.source.reference for f in facts if isinstance(f.fact, DiagnosisFact))
    return state.but(appliance=last.device if last else "", conditions=tuple(diagnoses))
