"""Facts read anew from the resources of a case, when those stored were read by a release with another shape of facts.

The resources are what was sent, and stay; facts are what this release reads from them. A resource may have been taken in
under other checks than today's: what of it can be read counts, and a resource of which no fact is left counts as none.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any

from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.deciding.superseded import LoadedFacts
from service.fhir.counted import closing_record
from service.fhir.engine import is_engine
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load
from service.fhir.read_facts import StoredFact, assemble, read
from service.fhir.read_other import with_moves
from service.fhir.reading import Small
from service.rows import Case, Stored, split
from service.rules.kinds import ReferralState
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
        small, whole = fact_in(row, before)
        if small is not None:
            found[reference] = StoredFact(Source(reference, row.version), small)
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
    small = closing_in(row) if row else None
    return [StoredFact(Source(row.reference, row.version), small)] if row and small else []


def closing_in(row: Stored) -> Small | None:
    """What a version of a patient's record says that closes the patient's cases."""
    return None if row.deleted else closing_record(load(row.body), row.last_updated)


def fact_in(row: Stored, before: StoredFact | None = None) -> tuple[Small | None, bool]:
    """The fact in a stored version, None when it holds none, and whether today's checks have nothing to say of it.

    `before` is the fact in the version before it. Never raises.
    """
    if row.deleted:
        return None, True
    try:
        body = load(row.body)
        if is_engine(body.get("device")):
            return None, True
        small, problems = read(body, row.type)
        if small and small["kind"] == "task":
            ReferralState(small["state"])
            small = with_moves(small, before.small if before else None)
        if small is not None and problems:
            _check_told(assemble([StoredFact(Source(f"{row.type}/{row.id}", row.version), small)]))
    except Exception as error:
        _tell_unread([row.type], error)
        return None, False
    return small, not problems


def _check_told(facts: Any) -> None:
    """ValueError when a part of some facts that every fact of its kind tells is not told."""
    for item in fields(facts):
        value = getattr(facts, item.name)
        if value is None and "None" not in str(item.type):
            raise ValueError(item.name)
        for part in value if isinstance(value, tuple) else (value,):
            if is_dataclass(part):
                _check_told(part)


def _tell_unread(kinds: Iterable[str], error: Exception) -> None:
    told = {"types": list(kinds), "error": type(error).__name__}
    _log.warning("stored resources are not read as facts", extra={"told": told})


def remembering(state: CaseState, facts: Sequence[StoredFact]) -> CaseState:
    """With what messages and the CarePlan refer to: the appliance delivered last, the diagnoses."""
    uses = [f.small for f in facts if f.small["kind"] == "appliance-use"]
    last = max(uses, key=lambda u: (u["delivered_on"], u["device"]), default=None)
    diagnoses = sorted(f.source.reference for f in facts if f.small["kind"] == "diagnosis")
    return state.but(appliance=last["device"] if last else "", conditions=tuple(diagnoses))
