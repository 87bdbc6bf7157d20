"""Who may see more since a transaction, put in the store and said for its entry in the audit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection

from service.fhir.build import references_in
from service.fhir.json_text import load
from service.pipeline.commitments import Admitted
from service.pipeline.fact_rows import split
from service.store import parties, resources
from service.store.cases import Case
from service.store.query import DIRECTORY

Party = tuple[str, str]
"""(organisation, part)."""


def offices_in(resource: object) -> set[str]:
    """The entries of the directory that a resource refers to."""
    found = (reference.split("/_history/")[0] for _, reference in references_in(resource, ""))
    return {reference for reference in found if reference.partition("/")[0] in DIRECTORY and "/" in reference}


def offices_of(connection: Connection, case_number: str) -> list[str]:
    """The entries of the directory that the resources of a case refer to."""
    held = resources.sent_of_case(connection, case_number)
    return sorted({reference for row in held if not row.deleted for reference in offices_in(load(row.body))})


def tell_of_offices(connection: Connection, organisations: Iterable[str], offices: Iterable[str]) -> Admitted:
    """Let organisations read entries of the directory; what is new of it."""
    admitted, keys = Admitted(), [split(reference) for reference in offices]
    for organisation in sorted(set(organisations)):
        admitted += tell(connection, keys, organisation)
    return admitted


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
