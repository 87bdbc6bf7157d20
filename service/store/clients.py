"""Registered clients, assertions that were used, and tokens that were revoked."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, Table, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.store.client_tables import ClientRow, RevokedTokenRow, UsedAssertionRow
from service.store.prepared import add_rows

_CLIENTS: Table = ClientRow.__table__  # type: ignore[attr-defined]
_USED: Table = UsedAssertionRow.__table__  # type: ignore[attr-defined]
_REVOKED: Table = RevokedTokenRow.__table__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Client:
    """A registered client. Offices and scopes are words parted by blanks, `organisation` is `Organization/id`."""

    id: str
    name: str
    offices: str
    organisation: str
    scopes: str
    keys: str
    keys_url: str
    revoked: bool
    added_at: str
    changed_at: str


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What no longer holds: numbers of tokens, ids of clients."""

    tokens: frozenset[str] = frozenset()
    clients: frozenset[str] = frozenset()


def add(connection: Connection, client: Client) -> None:
    """Register a client."""
    add_rows(connection, _CLIENTS, [asdict(client)])


def find(connection: Connection, client_id: str) -> Client | None:
    """A client by its id."""
    row = connection.execute(select(_CLIENTS).where(_CLIENTS.c.id == client_id)).one_or_none()
    return Client(*row) if row is not None else None


def listed(connection: Connection) -> list[Client]:
    """Every client, in the order in which they were added."""
    return [Client(*row) for row in connection.execute(select(_CLIENTS).order_by(_CLIENTS.c.added_at, _CLIENTS.c.id))]


def change(connection: Connection, client_id: str, now: str, **changes: Any) -> bool:
    """Change columns of a client; whether it was there."""
    done = connection.execute(update(_CLIENTS).where(_CLIENTS.c.id == client_id).values(changed_at=now, **changes))
    return done.rowcount == 1


def use_assertion(connection: Connection, client_id: str, jti: str, expires_at_s: float) -> bool:
    """Note an assertion as used; False when it was used before, by whichever process."""
    number = hashlib.sha256(f"{client_id}\n{jti}".encode()).hexdigest()
    return _added(connection, _USED, sha256=number, expires_at_s=expires_at_s)


def revoke_token(connection: Connection, jti: str, expires_at_s: float) -> None:
    """Note a token as revoked; once more is no difference."""
    _added(connection, _REVOKED, jti=jti, expires_at_s=expires_at_s)


def withdrawn(connection: Connection, now_s: float) -> Withdrawn:
    """The revoked tokens that have not expired, and every revoked client."""
    tokens = connection.execute(select(_REVOKED.c.jti).where(_REVOKED.c.expires_at_s > now_s)).scalars()
    clients = connection.execute(select(_CLIENTS.c.id).where(_CLIENTS.c.revoked)).scalars()
    return Withdrawn(frozenset(tokens), frozenset(clients))


def prune(connection: Connection, before_s: float) -> None:
    """Forget used assertions and revoked tokens that had expired by then."""
    for table in (_USED, _REVOKED):
        connection.execute(delete(table).where(table.c.expires_at_s < before_s))


def _added(connection: Connection, table: Table, **values: Any) -> bool:
    """Whether a row was added; not when its key is there, also when another transaction is just adding it."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    row = dialect.insert(table).values(**values).on_conflict_do_nothing().returning(*table.primary_key)
    return connection.execute(row).first() is not None
