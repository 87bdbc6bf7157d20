"""Facts of a case as the store keeps them: read back, replaced by a message's, one row per resource."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.fhir.json_text import load, load_each, write
from service.fhir.read_facts import StoredFact, read
from service.fhir.read_other import with_moves
from service.fhir.reading import Small
from service.rows import Fact, Key, Stored, split
from service.rules.kinds import ReferralState
from service.rules.source import Source


def facts_of(rows: Sequence[Fact]) -> list[StoredFact]:
    """Fact rows as facts."""
    smalls = load_each(row.small for row in rows)
    return [
        StoredFact(Source(f"{row.type}/{row.id}", row.version), small) for row, small in zip(rows, smalls, strict=True)
    ]


def state_of(facts: Sequence[StoredFact]) -> ReferralState:
    """The state of the referral."""
    states = [f.small["state"] for f in facts if f.small["kind"] == "task"]
    return ReferralState(states[-1]) if states else ReferralState.REQUESTED


def task_small(task: Stored, before: Sequence[StoredFact]) -> Small:
    """The fact in a referral's Task, with the moves that earlier versions told."""
    small, _ = read(load(task.body), task.type)
    assert small is not None
    known = next((f.small for f in before if f.source.reference == f"{task.type}/{task.id}"), None)
    return with_moves(small, known)


def facts_after(
    before: Sequence[StoredFact], smalls: Mapping[str, Small | None], versions: Mapping[str, int]
) -> list[StoredFact]:
    """The case's facts with a message's facts in place of earlier versions."""
    after = [f for f in before if f.source.reference not in smalls]
    fresh = [StoredFact(Source(r, versions[r]), small) for r, small in smalls.items() if small is not None]
    return after + fresh


@dataclass(frozen=True, slots=True)
class FactChange:
    """Fact rows of a case to be written. With `every`, all rows of the case are dropped, else those of `dropped` (type, id)."""

    dropped: tuple[Key, ...] = ()
    added: tuple[Fact, ...] = ()
    every: bool = False


def changed_rows(
    before: Sequence[StoredFact],
    smalls: Mapping[str, Small | None],
    versions: Mapping[str, int],
    read_anew: bool,
) -> FactChange:
    """The rows to drop and to add; every row of the case when its facts were `read_anew`."""
    if read_anew:
        after = facts_after(before, smalls, versions)
        return FactChange(added=tuple(fact_row(f) for f in after), every=True)
    known = {f.source.reference for f in before}
    dropped = tuple(split(reference) for reference in smalls if reference in known)
    fresh = (StoredFact(Source(r, versions[r]), small) for r, small in smalls.items() if small is not None)
    return FactChange(dropped, tuple(fact_row(f) for f in fresh))


def fact_row(fact: StoredFact) -> Fact:
    """A fact as a row."""
    return Fact(*split(fact.source.reference), fact.source.version, write(fact.small))
