"""The audit chain: an AuditEvent is linked in the transaction that writes it, so none is there without its link.

There are several chains, so that writers on PostgreSQL do not wait for each other: each takes whichever end is free
and holds it until its commit. SQLite has one writer, who always finds the first chain free.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Table, and_, exists, insert, or_, select, update

from service.store import query
from service.store.audit_tables import AuditHeadRow, AuditLinkRow
from service.store.query import VERSIONS

CHAINS = 16
AUDIT_EVENT = "AuditEvent"
_LINKS: Table = AuditLinkRow.__table__  # type: ignore[attr-defined]
_HEADS: Table = AuditHeadRow.__table__  # type: ignore[attr-defined]
_L, _H, _V = _LINKS.c, _HEADS.c, VERSIONS.c
_BATCH = 1000


@dataclass(frozen=True, slots=True)
class Head:
    """The end of a chain: number and hash of its last link."""

    chain: int
    number: int
    hash: str


@dataclass(frozen=True, slots=True)
class Link:
    """One link, and the AuditEvent it is of: when it was recorded and its text, None when it is not there."""

    number: int
    event: str
    hash: str
    recorded: str | None
    body: str | None


def hash_of(before: str, chain: int, number: int, event: str, recorded: str, body: str) -> str:
    """The hash of a link, over the hash before it and all of the AuditEvent as it is stored."""
    return hashlib.sha256("\n".join((before, str(chain), str(number), event, recorded, body)).encode()).hexdigest()


def link(connection: Connection, events: Sequence[tuple[str, str, str]]) -> None:
    """Link AuditEvents, each given as (id, recorded, body), behind the end of a chain that nobody else is writing."""
    if not events:
        return
    head = _free_head(connection)
    number, last = head.number, head.hash
    links: list[dict[str, str | int]] = []
    for event, recorded, body in events:
        number += 1
        last = hash_of(last, head.chain, number, event, recorded, body)
        links.append({"chain": head.chain, "number": number, "event": event, "hash": last})
    connection.execute(insert(_LINKS), links)
    connection.execute(update(_HEADS).where(_H.chain == head.chain).values(number=number, hash=last))


def _free_head(connection: Connection) -> Head:
    """The end of a chain, locked until the transaction ends. Waits only when every chain is being written.

    Who holds one finds it again, so nobody waits while holding one: there is no deadlock.
    """
    wanted = select(_HEADS).order_by(_H.chain).limit(1)
    found = connection.execute(wanted.with_for_update(skip_locked=True)).one_or_none()
    if found is None:
        some = wanted.where(_H.chain == random.randrange(CHAINS))
        found = connection.execute(some.with_for_update()).one()
    return Head(*found)


def heads(connection: Connection) -> list[Head]:
    """The end of every chain."""
    return [Head(*row) for row in connection.execute(select(_HEADS).order_by(_H.chain))]


def links(connection: Connection, chain: int, until: int) -> Iterator[Link]:
    """The links of a chain up to a number, in order, each with its AuditEvent; read a thousand at a time."""
    after = 0
    while True:
        numbered = select(_L.number, _L.event, _L.hash).where(_L.chain == chain, _L.number > after, _L.number <= until)
        batch = connection.execute(numbered.order_by(_L.number).limit(_BATCH)).all()
        if not batch:
            return
        ids = [row.event for row in batch]
        bodies = query.rows(connection, VERSIONS, _V.id, _V.last_updated, _V.body).where(
            _V.type == AUDIT_EVENT, _V.version == 1, _V.id.in_(ids)
        )
        held = {row.id: row for row in connection.execute(bodies)}
        for row in batch:
            found = held.get(row.event)
            yield Link(
                row.number, row.event, row.hash, found.last_updated if found else None, found.body if found else None
            )
        after = batch[-1].number


def not_linked(connection: Connection) -> Iterator[str]:
    """AuditEvents, as type/id/_history/version, that no chain holds: put in, or changed by a later version."""
    after = ("", 0)
    while True:
        linked = exists().where(_L.event == _V.id)
        wanted = query.rows(connection, VERSIONS, _V.id, _V.version).where(
            _V.type == AUDIT_EVENT,
            or_(_V.version != 1, ~linked),
            or_(_V.id > after[0], and_(_V.id == after[0], _V.version > after[1])),
        )
        batch = connection.execute(wanted.order_by(_V.id, _V.version).limit(_BATCH)).all()
        for row in batch:
            yield f"{AUDIT_EVENT}/{row.id}/_history/{row.version}"
        if len(batch) < _BATCH:
            return
        after = (batch[-1].id, batch[-1].version)


def hash_at(connection: Connection, chain: int, number: int) -> str | None:
    """The hash of one link; None when there is none of that number."""
    return connection.execute(select(_L.hash).where(_L.chain == chain, _L.number == number)).scalar()
