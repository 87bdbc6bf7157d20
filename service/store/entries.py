"""The entries of a case as people made them: versions of what was sent, without what the service derives from it."""

from __future__ import annotations

from sqlalchemy import Connection, or_

from service.store import query
from service.store.query import VERSIONS
from service.store.resources import Stored

_V = VERSIONS.c
_DERIVED = '"derivedFrom"'
ENTRY_TYPES = ("Device", "DeviceUseStatement", "DiagnosticReport", "Encounter", "Observation", "QuestionnaireResponse")


def versions_of_entries(connection: Connection, case_number: str, limit: int) -> list[Stored]:
    """Versions of a case's entries and orders, those of the entries first made last coming first.

    Decisions are left out by their ids, which begin with the case number; Observations derived from a check-in by their
    `derivedFrom`.
    """
    wanted = query.rows(connection, VERSIONS).where(
        _V.case_number == case_number,
        _V.type.in_((*ENTRY_TYPES, "ServiceRequest")),
        ~_V.id.startswith(f"{case_number}-", autoescape=True),
        or_(_V.type != "Observation", ~_V.body.contains(_DERIVED, autoescape=True)),
        _V.deleted.is_(False),
    )
    page = wanted.order_by(_V.id.desc(), _V.type, _V.version).limit(limit)
    return [Stored(*r) for r in connection.execute(page)]
