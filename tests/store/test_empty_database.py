"""An empty database becomes ours once, however many processes open it at the same moment."""

from __future__ import annotations

import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect
from sqlalchemy.engine import make_url
from sqlalchemy.exc import OperationalError

from service.store import engine
from service.store.engine import Database
from tests.store.whole import TABLES

_OF_ACCESS = (
    *("client", "used_assertion", "revoked_token"),
    *("person", "page_session", "sign_in_link", "check_in_link"),
    *("emergency_access", "organisation", "binding", "waiting_party", "suspended_party"),
)
_ALL = {*TABLES, *_OF_ACCESS, "search_index", "alembic_version"}


def _schema(database_url: str) -> dict[str, list[str]]:
    url = make_url(database_url)
    held = create_engine(url.set(drivername="postgresql+psycopg") if url.get_backend_name() != "sqlite" else url)
    found = inspect(held)
    tables = {t: [str(c["name"]) for c in found.get_columns(t)] for t in found.get_table_names()}
    held.dispose()
    return tables


def test_it_is_migrated_once_and_found_migrated(empty_database_url: str):
    Database(empty_database_url).close()
    first = _schema(empty_database_url)
    Database(empty_database_url).close()
    assert _schema(empty_database_url) == first
    assert set(first) == _ALL


def test_it_is_migrated_by_many_at_once(empty_database_url: str):
    gate = threading.Barrier(6)

    def opened(_: int) -> Database:
        gate.wait()
        return Database(empty_database_url)

    with ThreadPoolExecutor(6) as pool:
        databases = list(pool.map(opened, range(6)))
    for database in databases:
        database.close()
    assert set(_schema(empty_database_url)) == _ALL


def test_a_file_that_another_is_about_to_write_is_waited_for(tmp_path: Path):
    other = _about_to_write(tmp_path)
    end = threading.Timer(0.3, other.rollback)
    end.start()
    Database(f"sqlite:///{tmp_path}/relay.db").close()
    end.join()
    other.close()
    assert set(_schema(f"sqlite:///{tmp_path}/relay.db")) == _ALL


def test_the_wait_for_a_file_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(engine, "_WAIT_S", 0.1)
    other = _about_to_write(tmp_path)
    with pytest.raises(OperationalError, match="locked"):
        Database(f"sqlite:///{tmp_path}/relay.db")
    other.close()


def _about_to_write(tmp_path: Path) -> sqlite3.Connection:
    """Another process that holds the lock from which SQLite refuses the switch to WAL without waiting."""
    other = sqlite3.connect(tmp_path / "relay.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    return other
