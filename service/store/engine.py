"""One database behind one code path: SQLite (WAL, every commit on disk) or PostgreSQL."""

from __future__ import annotations

import contextlib
import copy
import random
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import psycopg
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DataError, DBAPIError

from service.errors import Category, Refused, refuse
from service.store import existing
from service.store.caller import Caller
from service.store.database_file import make_private, take_from_others
from service.store.migrations import migrate
from service.store.prepared import Collision
from service.store.query import CALLER

T = TypeVar("T")
_TRIES = 8
_WAIT_S = 30
_PRAGMAS = (
    f"busy_timeout={_WAIT_S * 1000}",
    "journal_mode=WAL",
    "synchronous=FULL",
    "foreign_keys=ON",
    "cache_size=-32768",  # KiB
    "wal_autocheckpoint=8000",  # pages of 4 KiB: a page written by many commits is moved once
)
_TURN = text("SELECT pg_advisory_xact_lock(727004)")
_RETRYABLE_STATES = frozenset({"40001", "40P01", "55P03"})


class Database:
    """A database by URL, e.g. `sqlite:///relay.db` or `postgresql://user@host/name`.

    It is read and written for a caller: `seen_by` gives the database as that caller sees it.
    """

    def __init__(self, url: str, partitions: int = 0) -> None:
        self._open(url, self._sqlite, self._postgresql)
        if migrate(self.engine, partitions) and self.is_sqlite and self._file:
            take_from_others(self._file)

    @classmethod
    def existing(cls, url: str) -> Database:
        """A database that is there already, only to be read: nothing is made, changed or migrated. NoDatabase otherwise."""
        database = cls.__new__(cls)
        database._open(url, lambda: existing.sqlite(database.url, _WAIT_S), lambda: existing.postgresql(database.url))
        try:
            existing.check_schema(database.engine)
        except BaseException:
            database.close()
            raise
        return database

    def _open(self, url: str, sqlite: Callable[[], Engine], postgresql: Callable[[], Engine]) -> None:
        self.url = make_url(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self._one_writer = threading.Lock() if self.is_sqlite else None
        self._writing = threading.local()
        self._caller: Caller | None = None
        self.engine = sqlite() if self.is_sqlite else postgresql()

    def seen_by(self, caller: Caller) -> Database:
        """The same database, read and written for a caller."""
        seen = copy.copy(self)
        seen._caller = caller
        return seen

    def _sqlite(self) -> Engine:
        if self._file:
            make_private(self._file)
        engine = create_engine(
            self.url,
            connect_args={"check_same_thread": False, "timeout": _WAIT_S},
            pool_size=32,
            max_overflow=32,
            pool_use_lifo=True,
        )

        @event.listens_for(engine, "connect")
        def connect(connection: Any, _record: Any) -> None:
            _prepare(connection)

        @event.listens_for(engine, "begin")
        def begin(connection: Connection) -> None:
            writing = connection.get_execution_options().get("writing")
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

        return engine

    @property
    def _file(self) -> Path | None:
        """The file of a SQLite database that is kept in one."""
        name = self.url.database
        return Path(name) if name and name != ":memory:" and not name.startswith("file:") else None

    def wipe_log(self) -> None:
        """Have SQLite move what its log holds into the file and empty the log; a database server does so by itself."""
        if self.is_sqlite:
            with contextlib.closing(self.engine.raw_connection()) as connection:
                connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _postgresql(self) -> Engine:
        url = self.url.set(drivername="postgresql+psycopg")
        return create_engine(url, pool_size=16, max_overflow=32, pool_pre_ping=True, pool_use_lifo=True)

    def read(self, work: Callable[[Connection], T]) -> T:
        """Run `work` in one read transaction, or in the transaction of the `write` that this is called in."""
        inside: Connection | None = getattr(self._writing, "connection", None)
        if inside is not None:
            return self._as_caller(work, inside)
        try:
            with self.engine.connect().execution_options(**self._for_the_caller()) as connection:
                return work(connection)
        except DataError:
            raise _unfit() from None
        except DBAPIError as error:
            if _gone(error):
                raise _no_answer() from None
            raise

    def write(self, work: Callable[[Connection], T]) -> T:
        """Run `work` in one transaction, durable when this returns; nothing of it stays when it raises.

        Another writer's conflict (same new identifier, same next version, deadlock) is tried again from
        the start, so `work` must read what it decides on itself; any other error of the database is none of these and is
        raised at once. From the third try on, those that try again on
        PostgreSQL go one by one, so that many writers of one resource do not keep each other from it. Refused as
        busy after several tries.
        Inside another `write` it is a part of that one.
        """
        inside: Connection | None = getattr(self._writing, "connection", None)
        if inside is not None:
            return self._as_caller(work, inside)
        for attempt in range(_TRIES):
            try:
                return self._write_once(work, in_turn=attempt > 1)
            except Collision:
                pass
            except DataError:
                raise _unfit() from None
            except DBAPIError as error:
                if not _passing(error):
                    if _gone(error):
                        raise _no_answer() from None
                    raise
            time.sleep(random.uniform(0, 0.01) * 2**attempt)
        raise refuse(Category.BUSY, "Other writes are in the way; try again shortly.")

    def _write_once(self, work: Callable[[Connection], T], in_turn: bool) -> T:
        options = self._for_the_caller()
        if self._one_writer is None:
            with self.engine.connect().execution_options(**options) as connection, connection.begin():
                if in_turn:
                    connection.execute(_TURN)
                return self._marked(work, connection)
        with (
            self._one_writer,
            self.engine.connect().execution_options(writing=True, **options) as connection,
            connection.begin(),
        ):
            return self._marked(work, connection)

    def _marked(self, work: Callable[[Connection], T], connection: Connection) -> T:
        """Run `work` so that what it reads and writes by this database is of its own transaction."""
        self._writing.connection = connection
        try:
            return work(connection)
        finally:
            self._writing.connection = None

    def _as_caller(self, work: Callable[[Connection], T], connection: Connection) -> T:
        """Run `work` inside a transaction of another caller as this one."""
        before = connection.get_execution_options().get(CALLER)
        connection.execution_options(**self._for_the_caller())
        try:
            return work(connection)
        finally:
            connection.execution_options(**{CALLER: before})

    def _for_the_caller(self) -> dict[str, Caller]:
        assert self._caller is not None, "a database is read and written for a caller"
        return {CALLER: self._caller}

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


def _prepare(connection: sqlite3.Connection) -> None:
    """Set up a new connection to a SQLite database.

    The switch of a new database to WAL asks for the whole file. SQLite does not wait there as `busy_timeout` says
    when another connection switches it at the same moment, so it is asked again here.
    """
    connection.isolation_level = None
    until = time.monotonic() + _WAIT_S
    for pragma in _PRAGMAS:
        while True:
            try:
                connection.execute(f"PRAGMA {pragma}")
                break
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                    raise
                time.sleep(random.uniform(0, 0.02))


def _unfit() -> Refused:
    """Why PostgreSQL takes no NUL character in a text, and no identifier longer than its column."""
    return refuse(Category.INVALID, "A text is too long to be kept, or holds a character that cannot be kept.")


def _no_answer() -> Refused:
    """Whether a message that was being stored is stored is not known then; sent again it is the same message."""
    return refuse(Category.BUSY, "The database does not answer; try again shortly.")


def _gone(error: DBAPIError) -> bool:
    """Whether the connection to a database server broke, or none could be had."""
    return error.connection_invalidated or isinstance(error.orig, psycopg.OperationalError)


def _passing(error: DBAPIError) -> bool:
    """Whether a database error is a conflict with another writer that a new try can settle."""
    state = getattr(error.orig, "sqlstate", None)
    return state in _RETRYABLE_STATES or "database is locked" in str(error.orig)
