"""Facts of a case as the store keeps them: read back, replaced by a message's, one row per resource."""

from __future__ import annotations

from collections.abc import Sequence

from service.fhir.json_text import load, load_each, write
from service.fhir.read_facts import StoredFact, read
from service.fhir.read_other import with_moves
from service.fhir.reading import Small
from service.rules.kinds import ReferralState
from service.rules.source import Source
from service.store.cases import Fact
from service.store.resources import Stored


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
    before: Sequence[StoredFact], smalls: dict[str, Small | None], versions: dict[str, int]
) -> list[StoredFact]:
    """The case's facts with a message's facts in place of earlier versions."""
    after = [f for f in before if f.source.reference not in smalls]
    fresh = [StoredFact(Source(r, versions[r]), small) for r, small in smalls.items() if small is not None]
    return after + fresh


def changed_rows(
    before: Sequence[StoredFact], smalls: dict[str, Small | None], versions: dict[str, int]
) -> tuple[list[tuple[str, str]], list[Fact]]:
    """The keys of the rows to drop and the rows to add."""
    known = {f.source.reference for f in before}
    stale = [split(reference) for reference in smalls if reference in known]
    fresh = [Fact(*split(r), versions[r], write(small)) for r, small in smalls.items() if small is not None]
    return stale, fresh


def split(reference: str) -> tuple[str, str]:
    """Type and id of a reference."""
    kind, resource_id = reference.split("/", 1)
    return kind, resource_id
