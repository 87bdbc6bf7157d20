"""The outbox: notices as they were decided, and the numbered events they become for subscriptions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from sqlalchemy import Connection, Table, delete, exists, insert, text, update

from service.rows import Notice
from service.store import query
from service.store.notice_tables import NoticeRow, SubscriptionEventRow, SubscriptionRow
from service.store.subscriptions import OFF

_NOTICES: Table = NoticeRow.__table__  # type: ignore[attr-defined]
_EVENTS: Table = SubscriptionEventRow.__table__  # type: ignore[attr-defined]
_SUBSCRIPTIONS: Table = SubscriptionRow.__table__  # type: ignore[attr-defined]
_N, _E, _S = _NOTICES.c, _EVENTS.c, _SUBSCRIPTIONS.c


_COLUMNS = [_N[name] for name in Notice.__dataclass_fields__]


def add(connection: Connection, notice: Notice) -> None:
    """Put a notice in the outbox."""
    connection.execute(insert(_NOTICES), {**asdict(notice), "handed_out": False})


def take_turn(connection: Connection) -> None:
    """Wait until no other transaction hands out notices (SQLite has one writer anyway)."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(727002)"))


def is_any_waiting(connection: Connection) -> bool:
    """Whether a notice waits to become events."""
    return (
        connection.execute(query.rows(connection, _NOTICES, _N.id).where(_N.handed_out.is_(False)).limit(1)).first()
        is not None
    )


def waiting(connection: Connection, limit: int) -> list[Notice]:
    """Notices that are not events yet; those of one case in the order of its decisions."""
    found = query.rows(connection, _NOTICES, *_COLUMNS).where(_N.handed_out.is_(False))
    return [Notice(*r) for r in connection.execute(found.order_by(_N.made_at, _N.id).limit(limit))]


def mark_handed_out(connection: Connection, notices: Sequence[Notice]) -> None:
    """Let notices wait no longer."""
    connection.execute(update(_NOTICES).where(_N.id.in_([n.id for n in notices])).values(handed_out=True))


def mark_all_handed_out(connection: Connection) -> int:
    """Let no notice wait, because nobody subscribes; how many did."""
    return connection.execute(update(_NOTICES).where(_N.handed_out.is_(False)).values(handed_out=True)).rowcount


def add_events(connection: Connection, rows: Sequence[tuple[str, int, str]]) -> None:
    """Add (subscription id, number, notice id) rows."""
    if rows:
        names = ("subscription_id", "number", "notice_id")
        connection.execute(insert(_EVENTS), [dict(zip(names, row, strict=True)) for row in rows])


def events(connection: Connection, subscription_id: str, first: int, last: int, limit: int) -> list[tuple[int, Notice]]:
    """The events of a subscription from number `first` to `last`, in order, at most `limit`."""
    found = (
        query.rows(connection, _NOTICES, _E.number, *_COLUMNS)
        .join(_EVENTS, _N.id == _E.notice_id)
        .where(_E.subscription_id == subscription_id, _E.number >= first, _E.number <= last)
        .order_by(_E.number)
        .limit(limit)
    )
    return [(number, Notice(*rest)) for number, *rest in connection.execute(found)]


def forget(connection: Connection, made_before: str, limit: int) -> int:
    """Drop the oldest notices made before an instant, with their events, that nobody waits for; how many there were.

    What a subscription that is not off has still to be sent stays.
    """
    unsent = (
        exists()
        .where(_E.notice_id == _N.id, _S.id == _E.subscription_id, _E.number > _S.sent_event)
        .where(_S.deleted.is_(False), _S.status != OFF)
    )
    old = query.rows(connection, _NOTICES, _N.id).where(_N.handed_out.is_(True), _N.made_at < made_before, ~unsent)
    ids = list(connection.execute(old.order_by(_N.made_at, _N.id).limit(limit)).scalars())
    if ids:
        connection.execute(delete(_EVENTS).where(_E.notice_id.in_(ids)))
        connection.execute(delete(_NOTICES).where(_N.id.in_(ids)))
    return len(ids)


def drop_events(connection: Connection, subscription_id: str) -> None:
    """Forget the events of a subscription that is no more."""
    connection.execute(delete(_EVENTS).where(_E.subscription_id == subscription_id))
