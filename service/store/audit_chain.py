"""The audit chain: an AuditEvent is linked in the transaction that writes it, so none is there without its link.

There are several chains, so that writers on PostgreSQL do not wait for each other: each takes whichever end is free
and holds it until its commit. SQLite has one writer, who always finds the first chain free.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Table, and_, exists, or_, select

from service.store import query
from service.store.audit_tables import AuditHeadRow, AuditLinkRow
from service.store.query import VERSIONS

CHAINS = 16
AUDIT_EVENT = "AuditEvent"
_LINKS: Table = AuditLinkRow.__table__  # type: ignore[attr-defined]
_HEADS: Table = AuditHeadRow.__table__  # type: ignore[attr-defined]
_L, _H, _V = _LINKS.c, _HEADS.c, VERSIONS.c
_FIRST = "SELECT chain, number, hash FROM audit_head ORDER BY chain LIMIT 1"
_ANY = "SELECT chain, number, hash FROM audit_head WHERE chain = %s FOR UPDATE"
_ADD_ONE_BY_ONE = "INSERT INTO audit_chain (chain, number, event, hash) VALUES (?, ?, ?, ?)"
_MOVE = "UPDATE audit_head SET number = ?, hash = ? WHERE chain = ?"
_ADD_AND_MOVE = (
    "WITH moved AS (UPDATE audit_head SET number = %s, hash = %s WHERE chain = %s)"
    " INSERT INTO audit_chain (chain, number, event, hash)"
    " SELECT %s, * FROM unnest(%s::bigint[], %s::text[], %s::text[])"
)
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
    links: list[tuple[int, str, str]] = []
    for event, recorded, body in events:
        number += 1
        last = hash_of(last, head.chain, number, event, recorded, body)
        links.append((number, event, last))
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(_ADD_ONE_BY_ONE, [(head.chain, *one) for one in links])
        connection.exec_driver_sql(_MOVE, (number, last, head.chain))
    else:
        columns = [list(column) for column in zip(*links, strict=True)]
        connection.exec_driver_sql(_ADD_AND_MOVE, (number, last, head.chain, head.chain, *columns))


def _free_head(connection: Connection) -> Head:
    """The end of a chain, locked until the transaction ends. Waits only when every chain is being written.

    Who holds one finds it again, so nobody waits while holding one: there is no deadlock.
    """
    if connection.dialect.name == "sqlite":
        return Head(*connection.exec_driver_sql(_FIRST).one())
    found = connection.exec_driver_sql(f"{_FIRST} FOR UPDATE SKIP LOCKED").one_or_none()
    if found is None:
        found = connection.exec_driver_sql(_ANY, (random.randrange(CHAINS),)).one()
    return Head(*found)


def heads(connection: Connection) -> list[Head]:
    """The end of every chain."""
    return [Head(*row) for row in connection.execute(select(_HEADS).order_by(_H.chain))]


def as_of_one_moment(connection: Connection) -> None:
    """Let the transaction, which has read nothing yet, see the database as of one moment, as SQLite does anyway."""
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")


def unknown_chains(connection: Connection) -> list[int]:
    """Chains that this release does not make and of which there are links all the same."""
    odd = select(_L.chain).where(or_(_L.chain < 0, _L.chain >= CHAINS)).distinct()
    return list(connection.execute(odd).scalars())


def links(connection: Connection, chain: int) -> Iterator[Link]:
    """The links of a chain in order, each with its AuditEvent; read a thousand at a time."""
    after = 0
    while True:
        numbered = select(_L.number, _L.event, _L.hash).where(_L.chain == chain, _L.number > after)
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
