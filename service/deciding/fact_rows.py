"""Facts of a case as the store keeps them: read back, replaced by a message's, one row per resource."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.fhir.facts.fact import Fact, StoredFact
from service.fhir.facts.moves import with_moves
from service.fhir.facts.referral import TaskFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.json_text import load
from service.fhir.read_facts import read
from service.rows import FactText, Key, Stored, split
from service.rules.kinds import ReferralState
from service.rules.source import Source


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
    before: Sequence[StoredFact], reported: Mapping[str, Fact | None], versions: Mapping[str, int]
) -> list[StoredFact]:
    """The case's facts with a message's facts in place of earlier versions."""
    after = [f for f in before if f.source.reference not in reported]
    fresh = [StoredFact(Source(r, versions[r]), fact) for r, fact in reported.items() if fact is not None]
    return after + fresh


@dataclass(frozen=True, slots=True)
class FactChange:
    """Fact rows of a case to be written. With `every`, all rows of the case are dropped, else those of `dropped` (type, id)."""

    dropped: tuple[Key, ...] = ()
    added: tuple[FactText, ...] = ()
    every: bool = False


def changed_rows(
    before: Sequence[StoredFact],
    reported: Mapping[str, Fact | None],
    versions: Mapping[str, int],
    read_anew: bool,
) -> FactChange:
    """The rows to drop and to add; every row of the case when its facts were `read_anew`."""
    if read_anew:
        after = facts_after(before, reported, versions)
        return FactChange(added=tuple(fact_row(f) for f in after), every=True)
    known = {f.source.reference for f in before}
    dropped = tuple(split(reference) for reference in reported if reference in known)
    fresh = (StoredFact(Source(r, versions[r]), fact) for r, fact in reported.items() if fact is not None)
    return FactChange(dropped, tuple(fact_row(f) for f in fresh))


def fact_row(fact: StoredFact) -> FactText:
    """A fact as a row."""
    return FactText(*split(fact.source.reference), fact.source.version, fact_text(fact.fact))
