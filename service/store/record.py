"""One patient's record as it is stored: all there is of it, and its removal at the end of its retention."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from sqlalchemy import ColumnElement, Connection, Table, delete, or_

from service.rows import Stored
from service.store import check_in_links, directory, emergencies, query
from service.store.audit_chain import AUDIT_EVENT
from service.store.notice_tables import NoticeRow, SubscriptionEventRow, SubscriptionRow
from service.store.query import CASES, FACTS, IDENTITIES, MESSAGES, PARTIES, SEEN, VALUES, VERSIONS

_NOTICES: Table = NoticeRow.__table__  # type: ignore[attr-defined]
_EVENTS: Table = SubscriptionEventRow.__table__  # type: ignore[attr-defined]
_SUBSCRIPTIONS: Table = SubscriptionRow.__table__  # type: ignore[attr-defined]
_V, _S, _C, _M = VERSIONS.c, VALUES.c, CASES.c, MESSAGES.c
_N, _E, _U, _I = _NOTICES.c, _EVENTS.c, _SUBSCRIPTIONS.c, IDENTITIES.c
_BATCH = 500


def versions_of(connection: Connection, keys: Sequence[tuple[str, str]]) -> Iterator[Stored]:
    """Every version of some resources, by (type, id)."""
    for start in range(0, len(keys), _BATCH):
        wanted = query.rows(connection, VERSIONS).where(query.among(keys[start : start + _BATCH], _V.type, _V.id))
        yield from (Stored(*row) for row in connection.execute(wanted.order_by(_V.type, _V.id, _V.version)))


def entries_about(connection: Connection, patient_id: str) -> list[str]:
    """Ids of the AuditEvents that name a patient."""
    named = query.rows(connection, VALUES, _S.id).where(
        _S.type == AUDIT_EVENT, _S.param == "patient", _S.value == patient_id
    )
    return sorted(set(connection.execute(named).scalars()))


def messages_by_id(connection: Connection, ids: Sequence[str]) -> Iterator[tuple[str, str, str, bytes]]:
    """(id, received at, channel, text as received) of the messages with some of the ids."""
    for start in range(0, len(ids), _BATCH):
        wanted = query.rows(connection, MESSAGES, _M.id, _M.received_at, _M.channel, _M.body)
        for row in connection.execute(wanted.where(_M.id.in_(ids[start : start + _BATCH])).order_by(_M.id)):
            yield row.id, row.received_at, row.channel, bytes(row.body)


def closed_before(connection: Connection, day: str, closed: str) -> list[str]:
    """Numbers of the cases at the stage `closed` that were last changed before a day, the latest first."""
    wanted = query.rows(connection, CASES, _C.case_number).where(_C.stage == closed, _C.changed_at < day)
    return list(connection.execute(wanted.order_by(_C.changed_at.desc(), _C.case_number)).scalars())


def has_unsent_notices(connection: Connection, case_number: str) -> bool:
    """Whether a notice about a case is still to be sent to a subscriber."""
    if (
        connection.execute(query.rows(connection, _SUBSCRIPTIONS, _U.id).where(_U.deleted.is_(False)).limit(1)).first()
        is None
    ):
        return False
    waiting = query.rows(connection, _NOTICES, _N.id).where(_N.case_number == case_number)
    unsent = waiting.join(_EVENTS, _E.notice_id == _N.id).join(_SUBSCRIPTIONS, _U.id == _E.subscription_id)
    unsent = unsent.where(_E.number > _U.sent_event, _U.deleted.is_(False))
    return any(
        connection.execute(one.limit(1)).first() is not None
        for one in (waiting.where(_N.handed_out.is_(False)), unsent)
    )


@dataclass(frozen=True, slots=True)
class Removed:
    """What was removed: the SHA-256 of each version by (type, id, version) and of each message by its id."""

    versions: dict[tuple[str, str, int], str] = field(default_factory=dict)
    messages: dict[str, str] = field(default_factory=dict)


def forget_case(connection: Connection, case_number: str) -> Removed:
    """Remove all of a case but its AuditEvents."""
    removed = Removed()
    own = (_V.case_number == case_number, _V.type != AUDIT_EVENT)
    _note_versions(connection, removed, *own)
    _note_messages(connection, removed, _M.case_number == case_number)
    _forget_names(connection, sorted({(kind, name) for kind, name, _ in removed.versions}))
    notices = list(
        connection.execute(query.rows(connection, _NOTICES, _N.id).where(_N.case_number == case_number)).scalars()
    )
    for start in range(0, len(notices), _BATCH):
        connection.execute(delete(_EVENTS).where(_E.notice_id.in_(notices[start : start + _BATCH])))
    connection.execute(delete(VALUES).where(_S.case_number == case_number, _S.type != AUDIT_EVENT))
    connection.execute(delete(VERSIONS).where(*own))
    connection.execute(delete(MESSAGES).where(_M.case_number == case_number))
    check_in_links.forget(connection, case_number)
    directory.forget_case(connection, case_number)
    emergencies.forget_case(connection, case_number)
    for table in (FACTS, _NOTICES, PARTIES, CASES):
        connection.execute(delete(table).where(table.c.case_number == case_number))
    return removed


def _note_versions(connection: Connection, removed: Removed, *which: ColumnElement[bool]) -> None:
    for row in connection.execute(query.rows(connection, VERSIONS, _V.type, _V.id, _V.version, _V.body).where(*which)):
        removed.versions[row.type, row.id, row.version] = hashlib.sha256(row.body.encode()).hexdigest()


def _note_messages(connection: Connection, removed: Removed, *which: ColumnElement[bool]) -> None:
    for row in connection.execute(query.rows(connection, MESSAGES, _M.id, _M.sha256).where(*which)):
        removed.messages[row.id] = row.sha256


def is_patient_elsewhere(connection: Connection, patient: str) -> bool:
    """Whether a case is about a patient, or a resource that stays refers to them."""
    _, _, patient_id = patient.partition("/")
    case = query.rows(connection, CASES, _C.case_number).where(_C.patient == patient)
    holder = query.rows(connection, VALUES, _S.id).where(
        _S.type != AUDIT_EVENT,
        _S.part == "Patient",
        _S.value == patient_id,
        or_(_S.type != "Patient", _S.id != patient_id),
    )
    return any(connection.execute(one.limit(1)).first() is not None for one in (case, holder))


def forget_patient(connection: Connection, patient: str, messages: Sequence[str]) -> Removed:
    """Remove a patient of whom nothing else is here, and the messages of those ids that belong to no case."""
    kind, _, patient_id = patient.partition("/")
    removed = Removed()
    _note_versions(connection, removed, _V.type == kind, _V.id == patient_id)
    _forget_names(connection, [(kind, patient_id)])
    emergencies.forget_patient(connection, patient)
    connection.execute(delete(VALUES).where(_S.type == kind, _S.id == patient_id))
    connection.execute(delete(VERSIONS).where(_V.type == kind, _V.id == patient_id))
    for start in range(0, len(messages), _BATCH):
        own = (_M.case_number == "", _M.id.in_(messages[start : start + _BATCH]))
        _note_messages(connection, removed, *own)
        connection.execute(delete(MESSAGES).where(*own))
    return removed


def _forget_names(connection: Connection, keys: Sequence[tuple[str, ...]]) -> None:
    """Remove what resources are known by, and who sees or wrote them."""
    for start in range(0, len(keys), _BATCH):
        some = keys[start : start + _BATCH]
        connection.execute(delete(IDENTITIES).where(query.among(some, _I.type, _I.id)))
        connection.execute(delete(SEEN).where(query.among(some, SEEN.c.type, SEEN.c.id)))
