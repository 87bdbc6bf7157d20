"""Who can read the files of a database (common practice, no source)."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from sqlalchemy import create_engine, text

from service.store.caller import ALL_SEEING
from service.store.engine import Database
from service.store.migrations import HEAD


def modes(folder: Path) -> dict[str, int]:
    return {p.name: stat.S_IMODE(p.stat().st_mode) for p in sorted(folder.iterdir())}


def test_a_new_database_and_its_folders_are_their_owners_alone(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        database = Database(f"sqlite:///{tmp_path}/a/b/relay.db").seen_by(ALL_SEEING)
        database.write(lambda tx: tx.execute(text("CREATE TABLE odd (x INTEGER)")))
        assert modes(tmp_path / "a/b") == {"relay.db": 0o600, "relay.db-shm": 0o600, "relay.db-wal": 0o600}
        assert modes(tmp_path / "a") == {"b": 0o700} and modes(tmp_path)["a"] == 0o700
        database.close()
    finally:
        os.umask(before)


def test_a_database_that_everybody_could_read_is_closed_when_it_is_upgraded(tmp_path: Path) -> None:
    file = tmp_path / "relay.db"
    Database(f"sqlite:///{file}").close()
    engine = create_engine(f"sqlite:///{file}")
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE alembic_version"))
        connection.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32))"))
        for table in ("emergency_access", "organisation", "binding", "waiting_party", "suspended_party"):
            connection.execute(text(f"DROP TABLE {table}"))
        connection.execute(text("ALTER TABLE notice DROP COLUMN topic"))
        connection.execute(text("INSERT INTO alembic_version VALUES ('0012')"))
    engine.dispose()
    file.chmod(0o644)
    Database(f"sqlite:///{file}").close()
    assert modes(tmp_path)["relay.db"] == 0o600 and HEAD >= "0016"


def test_what_the_operator_opened_afterwards_stays_open(tmp_path: Path) -> None:
    file = tmp_path / "relay.db"
    Database(f"sqlite:///{file}").close()
    file.chmod(0o640)
    Database(f"sqlite:///{file}").close()
    assert modes(tmp_path)["relay.db"] == 0o640
