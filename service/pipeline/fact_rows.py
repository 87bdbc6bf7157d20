"""Facts of a case as the store keeps them: read back, replaced by a message's, one row per resource."""

from __future__ import annotations

from collections.abc import Sequence

from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.moves import with_moves
from service.fhir.facts.referral import TaskFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.json_text import load
from service.fhir.read_facts import read
from service.rules.kinds import ReferralState
from service.rules.source import Source
from service.store.cases import FactText
from service.store.resources import Stored


def facts_of(rows: Sequence[FactText]) -> list[StoredFact]:
    """Fact rows as facts."""
    facts = facts_from(row.content for row in rows)
    return [
        StoredFact(Source(f"{row.type}/{row.id}", row.version), fact) for row, fact in zip(rows, facts, strict=True)
    ]


def state_of(facts: Sequence[StoredFact]) -> ReferralState:
    """The state of the referral."""
    states = [f.fact.state for f in facts if isinstance(f.fact, TaskFact)]
    return states[-1] if states else ReferralState.REQUESTED


def task_fact(task: Stored, before: Sequence[StoredFact]) -> TaskFact:
    """The fact in a referral's Task, with the moves that earlier versions told."""
    fact, _ = read(load(task.body), task.type)
    assert isinstance(fact, TaskFact)
    known = (f.fact for f in before if f.source.reference == f"{task.type}/{task.id}" and isinstance(f.fact, TaskFact))
    return with_moves(fact, next(known, None))


def facts_after(
    before: Sequence[StoredFact], read_facts: dict[str, Fact | None], versions: dict[str, int]
) -> list[StoredFact]:
    """The case's facts with a message's facts in place of earlier versions."""
    after = [f for f in before if f.source.reference not in read_facts]
    fresh = [StoredFact(Source(r, versions[r]), fact) for r, fact in read_facts.items() if fact is not None]
    return after + fresh


def changed_rows(
    before: Sequence[StoredFact], read_facts: dict[str, Fact | None], versions: dict[str, int]
) -> tuple[list[tuple[str, str]], list[FactText]]:
    """The keys of the rows to drop and the rows to add."""
    known = {f.source.reference for f in before}
    stale = [split(reference) for reference in read_facts if reference in known]
    fresh = [FactText(*split(r), versions[r], fact_text(fact)) for r, fact in read_facts.items() if fact is not None]
    return stale, fresh


def split(reference: str) -> tuple[str, str]:
    """Type and id of a reference."""
    kind, resource_id = reference.split("/", 1)
    return kind, resource_id
