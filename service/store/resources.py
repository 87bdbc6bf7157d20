"""Resource versions and business identifiers: append, read, find."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Select, and_, bindparam, delete, literal, or_, update

from service.fhir.json_text import load
from service.fhir.search_values import Value, values_of
from service.rows import EVERYBODY, GivenNumber, Stored
from service.store import audit_chain, query, search_index
from service.store.caller import Caller
from service.store.prepared import insert_into
from service.store.query import CASES, IDENTITIES, VALUES, VERSIONS
from service.store.search_index import Indexed

_APPEND, _ADD_IDENTITIES = insert_into(VERSIONS), insert_into(IDENTITIES)
_V, _I, _S = VERSIONS.c, IDENTITIES.c, VALUES.c


def append_versions(connection: Connection, rows: Sequence[Stored]) -> None:
    """Append versions in one statement, and what they are found by; an AuditEvent becomes a link of the audit chain."""
    if rows:
        _APPEND.run(
            connection,
            [
                {
                    "type": r.type,
                    "id": r.id,
                    "version": r.version,
                    "case_number": r.case_number,
                    "last_updated": r.last_updated,
                    "body": r.body,
                    "deleted": r.deleted,
                }
                for r in rows
            ],
        )
        changed = [r for r in rows if not r.found_as_before]
        search_index.put(connection, [Indexed(r.type, r.id, r.version, r.case_number, _values(r)) for r in changed])
        events = [r for r in rows if r.type == audit_chain.AUDIT_EVENT]
        audit_chain.link(connection, [(r.id, r.last_updated, r.body) for r in events])


def _values(row: Stored) -> Sequence[Value]:
    if row.deleted:
        return ()
    return values_of(load(row.body)) if row.values is None else row.values


def _last(found: Select[Any]) -> Select[Any]:
    own = found.where(_V.type == bindparam("kind"), _V.id == bindparam("name"))
    return own.order_by(_V.version.desc()).limit(1)


def _with_day(caller: Caller) -> Select[Any]:
    columns = (*VERSIONS.columns, CASES.c.recorded_on, CASES.c.facts_shape)
    of_case = CASES.c.case_number == _V.case_number
    return query.rows_seen_by(caller, VERSIONS, *columns).join(CASES, of_case, isouter=True)


_CURRENT = query.made_once(lambda caller: _last(query.rows_seen_by(caller, VERSIONS)))
_CURRENT_AND_DAY = query.made_once(lambda caller: _last(_with_day(caller)))


@lru_cache(maxsize=1024)
def _among(caller: Caller, kinds: tuple[str, ...], only_current: bool) -> Select[Any]:
    """Versions of resources of some types, whose ids are given under the name of each; made once, as by `made_once`."""
    of_kinds = [and_(_V.type == kind, _V.id.in_(bindparam(kind, expanding=True))) for kind in kinds]
    found = query.rows_seen_by(caller, VERSIONS).where(or_(*of_kinds))
    return found.where(query.is_current(VERSIONS)) if only_current else found.order_by(_V.type, _V.id, _V.version)


def current(connection: Connection, kind: str, resource_id: str) -> Stored | None:
    """The current version of a resource."""
    return _one(connection.execute(_CURRENT(connection), {"kind": kind, "name": resource_id}).one_or_none())


def current_and_day(
    connection: Connection, kind: str, resource_id: str
) -> tuple[Stored | None, tuple[str, str] | None]:
    """The current version of a resource; if it has a case, the day whose decision this tells and the shape of its facts."""
    row = connection.execute(_CURRENT_AND_DAY(connection), {"kind": kind, "name": resource_id}).one_or_none()
    if row is None:
        return None, None
    return _one(row[:-2]), (row.recorded_on, row.facts_shape) if row.recorded_on is not None else None


def version(connection: Connection, kind: str, resource_id: str, number: int) -> Stored | None:
    """One version of a resource."""
    wanted = query.rows(connection, VERSIONS).where(_V.type == kind, _V.id == resource_id, _V.version == number)
    return _one(connection.execute(wanted).one_or_none())


def current_of(connection: Connection, keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Stored]:
    """The current versions of several resources, by (type, id)."""
    return {(held.type, held.id): held for held in _those_of(connection, keys, only_current=True)}


def versions_of(connection: Connection, keys: Iterable[tuple[str, str]]) -> list[Stored]:
    """Every version of several resources, by type and id, those of each in order."""
    return _those_of(connection, keys, only_current=False)


def _those_of(connection: Connection, keys: Iterable[tuple[str, str]], only_current: bool) -> list[Stored]:
    ids: dict[str, list[str]] = {}
    for kind, resource_id in dict.fromkeys(keys):
        ids.setdefault(kind, []).append(resource_id)
    if not ids:
        return []
    wanted = _among(query.caller_of(connection), tuple(ids), only_current)
    return [Stored(*r) for r in connection.execute(wanted, ids)]


def of_case(connection: Connection, case_number: str) -> list[Stored]:
    """Every version of every resource of a case, in the order of time."""
    held = query.rows(connection, VERSIONS).where(_V.case_number == case_number)
    return [Stored(*r) for r in connection.execute(held.order_by(_V.last_updated, _V.type, _V.id, _V.version))]


def sent_of_case(connection: Connection, case_number: str) -> list[Stored]:
    """The current resources of a case, deleted ones too, but for its records of what was done; and of its Tasks every version.

    In the order of time.
    """
    held = query.rows(connection, VERSIONS).where(
        _V.case_number == case_number,
        _V.type.not_in(("AuditEvent", "Provenance")),
        or_(_V.type == "Task", query.is_current(VERSIONS)),
    )
    return [Stored(*r) for r in connection.execute(held.order_by(_V.last_updated, _V.type, _V.id, _V.version))]


def cases_of(connection: Connection, keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """The case each existing resource belongs to, by (type, id); shared resources have an empty case."""
    wanted = list(dict.fromkeys(keys))
    if not wanted:
        return {}
    first = query.rows(connection, VERSIONS, _V.type, _V.id, _V.case_number)
    first = first.where(query.among(wanted, _V.type, _V.id), _V.version == literal(1))
    return {(r.type, r.id): r.case_number for r in connection.execute(first)}


def find_identities(
    connection: Connection, keys: Iterable[tuple[str, str, str]]
) -> dict[tuple[str, str, str], tuple[str, int]]:
    """The id and revision behind each known (type, system, value).

    Of several the caller's own goes first, and before it what the operator bound, for this caller or for everybody.
    """
    wanted = list(dict.fromkeys(keys))
    if not wanted:
        return {}
    columns = (_I.type, _I.system, _I.value, _I.id, _I.revision, _I.scope)
    found = query.identities(connection, *columns).where(query.among(wanted, _I.type, _I.system, _I.value))
    own = query.caller_of(connection).organisation or ""
    held = sorted(connection.execute(found), key=lambda r: (r.scope.startswith(EVERYBODY), r.scope == own, r.scope))
    return {(r.type, r.system, r.value): (r.id, r.revision) for r in held}


def find_by_identifier(connection: Connection, kind: str, system: str | None, value: str) -> list[str]:
    """Ids of resources with a business identifier; any system when `system` is None.

    An identifier that a resource had once still finds it, so that a late repeat is not taken for something new; one that
    it only ever had as an old one does not. In the directory what the operator bound goes before the caller's own entry.
    """
    had = query.identities(connection, _I.id, _I.scope).where(_I.type == kind, _I.value == value)
    has = query.rows(connection, VALUES, _S.id).where(
        _S.type == kind, _S.param == "identifier", _S.value == value, _S.part != ""
    )
    has = has.where(*query.answers(connection, kind, _S.id))
    if system is not None:
        had, has = had.where(_I.system == system), has.where(_S.part == system)
    known = connection.execute(had.limit(100)).all()
    bound = [r for r in known if r.scope.startswith(EVERYBODY)]
    if bound:
        return [max(bound, key=lambda r: r.scope).id] if system is not None else sorted({r.id for r in bound})
    once = {r.id for r in known}
    shown = {r.id for r in connection.execute(has.limit(100))} - once
    held = current_of(connection, [(kind, name) for name in sorted(shown)])
    in_use = {row.id for row in held.values() if not row.deleted and _carries(load(row.body), system, value)}
    return sorted(once | in_use)


def _carries(resource: dict[str, Any], system: str | None, value: str) -> bool:
    """Whether a resource has an identifier that is not marked as old."""
    held = resource.get("identifier")
    return any(
        one.get("value") == value and one.get("use") != "old" and system in (None, one.get("system"))
        for one in (held if isinstance(held, list) else [held] if held else [])
    )


def identity_rows(connection: Connection, keys: Iterable[tuple[str, str, str]]) -> list[GivenNumber]:
    """Every identity behind some (type, system, value) that the caller may know of."""
    wanted = list(dict.fromkeys(keys))
    if not wanted:
        return []
    columns = (_I.type, _I.system, _I.value, _I.id, _I.revision, _I.scope)
    found = query.identities(connection, *columns).where(query.among(wanted, _I.type, _I.system, _I.value))
    return [GivenNumber((r.type, r.system, r.value), r.id, r.revision, r.scope) for r in connection.execute(found)]


def unscoped(connection: Connection, key: tuple[str, str, str]) -> list[tuple[str, str]]:
    """(type, id) of what was given an identifier while access control was off."""
    kind, system, value = key
    held = query.identities(connection, _I.type, _I.id)
    same = (_I.type == kind, _I.system == system, _I.value == value, _I.scope == "")
    return [(r.type, r.id) for r in connection.execute(held.where(*same))]


def add_identities(connection: Connection, rows: Sequence[tuple[str, str, str, str, int]]) -> None:
    """Add (type, system, value, id, revision) rows; a value taken meanwhile raises Collision."""
    if rows:
        names = ("type", "system", "value", "id", "revision", "scope")
        scoped = [(*row, query.scope_of(connection)) for row in rows]
        _ADD_IDENTITIES.run(connection, [dict(zip(names, row, strict=True)) for row in scoped])


def forget_identities(connection: Connection, kind: str, resource_id: str) -> None:
    """Free the identifiers of a deleted resource, so that they can be another's."""
    connection.execute(delete(IDENTITIES).where(_I.type == kind, _I.id == resource_id))


def mentioning(connection: Connection, case_number: str, reference: str) -> list[Stored]:
    """Current resources of a case, but its records of what was done, whose text holds a reference."""
    wanted = query.rows(connection, VERSIONS).where(
        _V.case_number == case_number,
        _V.type.not_in(("AuditEvent", "Provenance")),
        _V.body.contains(f'"{reference}', autoescape=True),
        query.is_current(VERSIONS),
    )
    return [Stored(*r) for r in connection.execute(wanted)]


def raise_revision(connection: Connection, key: tuple[str, str, str], resource_id: str, revision: int) -> None:
    """Record the revision that now counts for an identifier of a resource."""
    kind, system, value = key
    one = (_I.type == kind, _I.system == system, _I.value == value, _I.id == resource_id)
    connection.execute(update(IDENTITIES).where(*one).values(revision=revision))


def _one(row: Any) -> Stored | None:
    return Stored(*row) if row is not None else None
