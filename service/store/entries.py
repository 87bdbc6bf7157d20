"""The entries of a case as people made them: versions of what was sent, without what the service derives from it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Select, bindparam, literal_column, or_

from service.rows import Stored
from service.store import query
from service.store.caller import Caller
from service.store.query import VERSIONS

_V = VERSIONS.c
_DERIVED = '"derivedFrom"'
ENTRY_TYPES = ("Device", "DeviceUseStatement", "DiagnosticReport", "Encounter", "Observation", "QuestionnaireResponse")


def _versions(caller: Caller) -> Select[Any]:
    wanted = query.rows_seen_by(caller, VERSIONS).where(
        _V.case_number == bindparam("number"),
        _V.type.in_([literal_column(f"'{kind}'") for kind in (*ENTRY_TYPES, "ServiceRequest")]),
        ~_V.id.startswith(bindparam("derived")),
        or_(_V.type != "Observation", ~_V.body.contains(_DERIVED, autoescape=True)),
        _V.deleted.is_(False),
    )
    return wanted.order_by(_V.id.desc(), _V.type, _V.version).limit(bindparam("most"))


_VERSIONS = query.made_once(_versions)


def versions_of_entries(connection: Connection, case_number: str, limit: int) -> list[Stored]:
    """Versions of a case's entries and orders, those of the entries first made last coming first.

    Decisions are left out by their ids, which begin with the case number; Observations derived from a check-in by their
    `derivedFrom`.
    """
    given = {"number": case_number, "derived": f"{case_number}-", "most": limit}
    return [Stored(*r) for r in connection.execute(_VERSIONS(connection), given)]
