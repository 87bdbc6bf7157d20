"""Versions newest first, and everything of a patient: pages that go on after the last row of the page before.

https://hl7.org/fhir/R4/http.html#history and https://hl7.org/fhir/R4/patient-operation-everything.html
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, literal, tuple_

from service.rows import Stored
from service.store import query
from service.store.query import CASES, VALUES, VERSIONS

_V, _S, _C = VERSIONS.c, VALUES.c, CASES.c


def of_resource(
    connection: Connection, kind: str, resource_id: str, since: str, before: int | None, limit: int
) -> list[Stored]:
    """Versions of a resource not older than `since`, before the version `before`, newest first."""
    wanted = query.rows(connection, VERSIONS).where(_V.type == kind, _V.id == resource_id, _V.last_updated >= since)
    if before is not None:
        wanted = wanted.where(_V.version < before)
    return [Stored(*r) for r in connection.execute(wanted.order_by(_V.version.desc()).limit(limit))]


def of_type(
    connection: Connection, kind: str, since: str, before: tuple[str, str, int] | None, limit: int
) -> list[Stored]:
    """Versions of all resources of a type, newest first; `before` is (time, id, version) of the last one seen."""
    wanted = query.rows(connection, VERSIONS).where(_V.type == kind, _V.last_updated >= since)
    if before is not None:
        wanted = wanted.where(tuple_(_V.last_updated, _V.id, _V.version) < tuple_(*before))
    order = (_V.last_updated.desc(), _V.id.desc(), _V.version.desc())
    return [Stored(*r) for r in connection.execute(wanted.order_by(*order).limit(limit))]


def of_patient(
    connection: Connection,
    patient: str,
    kinds: Sequence[str],
    since: str,
    after: tuple[str, str, str] | None,
    limit: int,
) -> list[Stored]:
    """Current resources of a patient's cases behind `after` (case, type, id), of the types and not older than `since`."""
    numbers = query.rows(connection, CASES, _C.case_number).where(_C.patient == patient)
    wanted = query.rows(connection, VERSIONS).where(
        _V.case_number.in_(numbers),
        _V.type.in_(list(kinds)),
        _V.last_updated >= since,
        _V.deleted.is_(False),
        query.is_current(VERSIONS),
    )
    if after is not None:
        wanted = wanted.where(tuple_(_V.case_number, _V.type, _V.id) > tuple_(*after))
    page = wanted.order_by(_V.case_number, _V.type, _V.id).limit(limit)
    return [Stored(*r) for r in connection.execute(page)]


def shared_of_patient(connection: Connection, patient: str, kinds: Sequence[str]) -> list[tuple[str, str]]:
    """(type, id) of the resources of no case that the patient's own refer to, and of those that these refer to."""
    numbers = [
        r.case_number
        for r in connection.execute(query.rows(connection, CASES, _C.case_number).where(_C.patient == patient))
    ]
    of_cases = query.rows(connection, VERSIONS, _V.type, _V.id).where(_V.case_number.in_(numbers)).distinct().subquery()
    referred = (
        query.rows(connection, VALUES, _S.part, _S.value)
        .join(of_cases, (of_cases.c.type == _S.type) & (of_cases.c.id == _S.id))
        .where(_S.part.in_(list(kinds)), _S.ends.is_(None), _S.value != literal(""))
        .distinct()
    )
    found = {(r.part, r.value) for r in connection.execute(referred)} | {tuple(patient.split("/", 1))}
    further = query.rows(connection, VALUES, _S.part, _S.value).where(
        query.among(sorted(found), _S.type, _S.id), _S.part.in_(list(kinds))
    )
    found |= {(r.part, r.value) for r in connection.execute(further.distinct())}
    return sorted((kind, resource_id) for kind, resource_id in found)
