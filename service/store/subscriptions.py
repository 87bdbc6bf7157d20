"""Subscriptions: kept, listed, and claimed by one deliverer at a time for as long as a lease holds."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from sqlalchemy import ColumnElement, Connection, Table, and_, insert, or_, select, text, update

from service.store.notice_tables import SubscriptionRow

_SUBSCRIPTIONS: Table = SubscriptionRow.__table__  # type: ignore[attr-defined]
_S = _SUBSCRIPTIONS.c

REQUESTED, ACTIVE, ERROR, OFF = "requested", "active", "error", "off"


@dataclass(slots=True)
class Subscription:
    """A subscription row; `body` is the resource as JSON text without its secrets, which stand sealed in `headers`."""

    id: str
    version: int
    last_updated: str
    status: str
    error: str
    body: str
    headers: str
    base_url: str
    timeout_s: int
    heartbeat_at_s: float | None = None
    ends_at_s: float | None = None
    last_event: int = 0
    sent_event: int = 0
    failures: int = 0
    next_try_at_s: float = 0
    leased_by: str = ""
    leased_until_s: float = 0
    deleted: bool = False
    organisation: str = ""


_COLUMNS = [_S[name] for name in Subscription.__dataclass_fields__]


def clock_s(connection: Connection) -> float:
    """Now in seconds since 1970 by the clock that all deliverers share: that of the database server or the machine."""
    if connection.dialect.name == "postgresql":
        return float(connection.execute(text("SELECT extract(epoch FROM clock_timestamp())")).scalar_one())
    return time.time()


def add(connection: Connection, held: Subscription) -> None:
    """Insert a new subscription."""
    connection.execute(insert(_SUBSCRIPTIONS), asdict(held))


def save(connection: Connection, held: Subscription) -> None:
    """Update a subscription that this transaction has locked."""
    connection.execute(update(_SUBSCRIPTIONS).where(_S.id == held.id).values(asdict(held)))


def get(connection: Connection, subscription_id: str) -> Subscription | None:
    """A subscription without a lock, also a deleted one."""
    return _one(connection.execute(select(*_COLUMNS).where(_S.id == subscription_id)).one_or_none())


def lock(connection: Connection, subscription_id: str) -> Subscription | None:
    """A subscription, locked until the transaction ends, also a deleted one."""
    query = select(*_COLUMNS).where(_S.id == subscription_id).with_for_update()
    return _one(connection.execute(query).one_or_none())


def lock_all(connection: Connection) -> list[Subscription]:
    """Every subscription that is not deleted, locked until the transaction ends."""
    query = select(*_COLUMNS).where(_S.deleted.is_(False)).order_by(_S.id).with_for_update()
    return [Subscription(*r) for r in connection.execute(query)]


def has_open_headers(connection: Connection) -> bool:
    """Whether a subscription keeps its headers as an earlier release did, not sealed."""
    return connection.execute(select(_S.id).where(_open_headers()).limit(1)).first() is not None


def lock_with_open_headers(connection: Connection) -> list[Subscription]:
    """The subscriptions whose headers are not sealed, locked until the transaction ends.

    SQLite is asked to overwrite what is replaced, which it does not do by itself.
    """
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete=ON")
    query = select(*_COLUMNS).where(_open_headers()).order_by(_S.id).with_for_update()
    return [Subscription(*r) for r in connection.execute(query)]


def _open_headers() -> ColumnElement[bool]:
    return and_(_S.headers.like("[%"), _S.headers != "[]")


def listed(connection: Connection, organisation: str, limit: int) -> list[Subscription]:
    """An organisation's subscriptions that are not deleted, in the order in which they were made."""
    own = (_S.deleted.is_(False), _S.organisation == organisation)
    query = select(*_COLUMNS).where(*own).order_by(_S.id).limit(limit)
    return [Subscription(*r) for r in connection.execute(query)]


def raise_last_event(connection: Connection, subscription_id: str, number: int) -> None:
    """Record the highest number given to an event."""
    connection.execute(update(_SUBSCRIPTIONS).where(_S.id == subscription_id).values(last_event=number))


def is_any_due(connection: Connection, now_s: float) -> bool:
    """Whether there is anything to send, or a subscription to end."""
    query = select(_S.id).where(or_(_due(now_s), _ended(now_s))).limit(1)
    return connection.execute(query).first() is not None


def claim(connection: Connection, now_s: float, deliverer: str, margin_s: float) -> Subscription | None:
    """The subscription that has waited longest for a sending, leased to one deliverer; None when nothing is due.

    A lease outlasts the time a sending may take, so that two never send for one subscription at once.
    """
    query = (
        select(*_COLUMNS)
        .where(_due(now_s))
        .order_by(_S.next_try_at_s, _S.id)
        .limit(1)
        .with_for_update(skip_locked=True)
    )
    held = _one(connection.execute(query).one_or_none())
    if held is not None:
        held.leased_by, held.leased_until_s = deliverer, now_s + held.timeout_s + margin_s
        lease = {"leased_by": held.leased_by, "leased_until_s": held.leased_until_s}
        connection.execute(update(_SUBSCRIPTIONS).where(_S.id == held.id).values(lease))
    return held


def ended(connection: Connection, now_s: float) -> list[Subscription]:
    """Subscriptions whose end has passed and that are not off yet, locked unless another deliverer has them."""
    query = select(*_COLUMNS).where(_ended(now_s)).with_for_update(skip_locked=True)
    return [Subscription(*r) for r in connection.execute(query)]


def _ended(now_s: float) -> ColumnElement[bool]:
    return and_(_S.deleted.is_(False), _S.status != OFF, _S.ends_at_s <= now_s)


def _due(now_s: float) -> ColumnElement[bool]:
    """Not leased, and a handshake, an event or a heartbeat is to be sent by now."""
    something = or_(_S.status == REQUESTED, _S.sent_event < _S.last_event, _S.heartbeat_at_s <= now_s)
    return and_(
        _S.deleted.is_(False),
        _S.status.in_((REQUESTED, ACTIVE)),
        _S.leased_until_s <= now_s,
        _S.next_try_at_s <= now_s,
        something,
    )


def _one(row: Sequence[object] | None) -> Subscription | None:
    return Subscription(*row) if row is not None else None  # type: ignore[arg-type]
