"""Facts read anew from the resources of a case, when those stored were read by a release with another shape of facts.

The resources are what was sent, and stay; facts are what this release reads from them. A resource may have been taken in
under other checks than today's: what of it can be read counts, and a resource of which no fact is left counts as none.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from datetime import date

from sqlalchemy import Connection

from service.fhir.counted import closing_record
from service.fhir.engine import is_engine
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.moves import with_moves
from service.fhir.facts.referral import ClosingRecordFact, DiagnosisFact, TaskFact
from service.fhir.facts.text import fact_text
from service.fhir.facts.treatment import ApplianceUseFact
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load
from service.fhir.read_facts import is_withdrawn, read
from service.pipeline.derived import Derived
from service.pipeline.fact_rows import split
from service.rules.source import Source
from service.store import cases, resources
from service.store.cases import Case, FactText
from service.store.resources import Stored

_log = logging.getLogger("airway_relay")


def is_outdated(case: Case) -> bool:
    """Whether the facts of a case were read by a release with another shape of facts."""
    return case.facts_shape != facts_shape()


def read_anew(connection: Connection, case: Case, derived: Derived) -> None:
    """Store the facts of a case anew, so that it is decided from them whatever was noted of its last decision."""
    facts = facts_in(connection, case.case_number)
    rows = [FactText(*split(f.source.reference), f.source.version, fact_text(f.fact)) for f in facts]
    cases.all_facts_anew(connection, case.case_number, rows)
    remember(derived, facts)
    derived.decide_anew()
    case.facts_shape = facts_shape()


def facts_in(connection: Connection, case_number: str) -> list[StoredFact]:
    """The facts in the current resources of a case; a Task's with the moves that its earlier versions tell."""
    return facts_among(resources.sent_of_case(connection, case_number), patient_record(connection, case_number))


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


def patient_record(connection: Connection, case_number: str) -> list[StoredFact]:
    """What the current record of the patient of a case says that closes the case; empty while it says nothing of the kind."""
    case = cases.get(connection, case_number)
    row = resources.current(connection, *split(case.patient)) if case else None
    fact = closing_in(row) if row else None
    return [StoredFact(Source(f"{row.type}/{row.id}", row.version), fact)] if row and fact else []


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


def remember(derived: Derived, facts: Sequence[StoredFact]) -> None:
    """Notes of the case row that messages and the CarePlan refer to: appliance delivered last, diagnoses."""
    uses = [f.fact for f in facts if isinstance(f.fact, ApplianceUseFact)]
    last = max(uses, key=lambda u: (u.delivered_on, u.device), default=None)
    derived.appliance = last.device if last else ""
    derived.conditions = sorted(f.source.reference for f in facts if isinstance(f.fact, DiagnosisFact))
