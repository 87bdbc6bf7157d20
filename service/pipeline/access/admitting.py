"""Who may see more since a transaction, put in the store and said for its entry in the audit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection

from service.pipeline.commitments import Admitted
from service.pipeline.fact_rows import split
from service.store import parties
from service.store.cases import Case

Party = tuple[str, str]
"""(organisation, part)."""


def admit(connection: Connection, case: Case, found: Iterable[Party]) -> tuple[set[Party], Admitted]:
    """Make organisations parties to a case, who see its patient; those that are new."""
    new = parties.add(connection, case.case_number, found)
    admitted = Admitted(parties=tuple(f"{part} {organisation}" for organisation, part in sorted(new)))
    for organisation, _ in sorted(new):
        admitted += tell(connection, [split(case.patient)], organisation)
    return new, admitted


def tell(connection: Connection, keys: Sequence[parties.Key], organisation: str, wrote: bool = False) -> Admitted:
    """Let an organisation see resources of no case, as their writer with `wrote`; what is new of it."""
    sees, writes = parties.tell(connection, keys, organisation, wrote)
    said = [tuple(f"{kind}/{name} {organisation}" for kind, name in new) for new in (sees, writes)]
    return Admitted(sees=said[0], wrote=said[1])
