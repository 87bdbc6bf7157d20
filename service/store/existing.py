"""A database that is there already, opened only to be read: a mistyped address makes no file, no table and no schema."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL
from sqlalchemy.pool import NullPool

from service.store.migrations import HEAD, revision_of


class NoDatabase(Exception):
    """There is no database of this release to be read; says why in one plain line."""


def sqlite(url: URL, wait_s: float) -> Engine:
    """An engine on a SQLite file. NoDatabase when there is no such file.

    While no other process has the file open it is opened for writing all the same, with every write refused: only so does
    SQLite take away the two files beside a database in WAL mode when it is closed.
    """
    file = Path(url.database or "")
    if not url.database or not file.is_file():
        raise NoDatabase(f"there is no database at {url.database or 'this address'}; see DATABASE_URL")
    mode = "ro" if Path(f"{file}-wal").exists() else "rw"
    address = f"file:{quote(str(file.absolute()))}?mode={mode}"
    engine = create_engine(
        "sqlite://",
        poolclass=NullPool,
        creator=lambda: sqlite3.connect(
            address, uri=True, timeout=wait_s, check_same_thread=False, isolation_level=None
        ),
    )

    @event.listens_for(engine, "connect")
    def connect(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA query_only=ON")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return engine


def postgresql(url: URL) -> Engine:
    """An engine whose every transaction on PostgreSQL is read only."""
    options = {"options": "-c default_transaction_read_only=on"}
    return create_engine(url.set(drivername="postgresql+psycopg"), connect_args=options, pool_pre_ping=True)


def check_schema(engine: Engine) -> None:
    """NoDatabase unless the schema is that of this release."""
    with engine.connect() as connection:
        found = revision_of(connection)
    if found is None:
        raise NoDatabase("the database at DATABASE_URL was never used by this service, so there is nothing to read")
    if found != HEAD:
        raise NoDatabase(
            f"the database has the schema {found} and this release reads {HEAD}; start the service of this release once"
        )
