"""`airway-relay verify` as the keeper of a database calls it: what it prints, how it ends, and that it makes nothing."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from joserfc.jwk import ECKey
from sqlalchemy import create_engine, inspect, text

from service.pipeline import Pipeline
from tests.commands.test_audit_commands import run
from tests.store.earlier import engine_of, landing
from tests.store.messages import opened_case, settled_course
from tests.store.test_record import closed_case

READING = (("verify",), ("audit", "verify"), ("audit", "head"), ("audit", "key"))


@pytest.fixture
def folder(tmp_path: Path, sqlite_pipeline: Pipeline) -> Path:
    """A folder with a database of one case, which the service has closed."""
    opened_case(sqlite_pipeline, settled_course())
    sqlite_pipeline.close()
    sqlite_pipeline.database.close()
    return tmp_path


def change(folder: Path, statement: str) -> None:
    engine = create_engine(f"sqlite:///{folder}/relay.db")
    with engine.begin() as connection:
        assert connection.execute(text(statement)).rowcount > 0
    engine.dispose()


def test_a_whole_record_and_one_that_was_changed(folder: Path) -> None:
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    well = run(folder, "verify")
    assert (well.returncode, well.stderr) == (0, "")
    assert well.stdout.startswith("1 case, ")
    assert well.stdout.endswith(" audit entries: nothing is wrong.\n")
    assert len(well.stdout.splitlines()) == 1
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    change(folder, "DELETE FROM message WHERE channel = 'intake appliances'")
    bad = run(folder, "verify")
    assert bad.returncode == 1
    [line, last] = bad.stdout.splitlines()
    assert line.startswith("message ") and "is not there; AuditEvent/" in line
    assert last.endswith(": 1 finding.")
    assert run(folder, "audit", "verify").returncode == 0  # the chain itself is whole


def test_some_cases_alone(folder: Path) -> None:
    engine = create_engine(f"sqlite:///{folder}/relay.db")
    with engine.connect() as connection:
        number = connection.execute(text("SELECT case_number FROM case_row")).scalar_one()
    engine.dispose()
    assert run(folder, "verify", number).returncode == 0
    change(folder, "UPDATE fact SET small = small || ' ' WHERE type = 'Device'")
    bad = run(folder, "verify", number)
    assert bad.returncode == 1
    assert bad.stdout.startswith(f"fact {number} Device/")
    none = run(folder, "verify", "AR-NONE")
    assert (none.returncode, none.stderr) == (2, "airway-relay: there is no case AR-NONE.\n")
    (folder / "head").write_text("x")
    assert run(folder, "verify", number, "--head", folder / "head").returncode == 2


def test_against_exported_heads(folder: Path) -> None:
    (folder / "key.pem").write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    own = {"AIRWAY_RELAY_AUDIT_KEY_FILE": str(folder / "key.pem")}
    (folder / "head").write_text(run(folder, "audit", "head", **own).stdout)
    well = run(folder, "verify", "--head", folder / "head", **own)
    assert well.returncode == 0, well.stderr
    assert " links against the head of 20" in well.stdout
    (folder / "other.pem").write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    forged = run(folder, "verify", "--head", folder / "head", "--key", folder / "other.pem")
    assert (forged.returncode, forged.stdout.splitlines()[-1].endswith("or the head was changed")) == (1, True)
    assert run(folder, "verify", "--head", folder / "none", **own).returncode == 2
    assert run(folder, "verify", "--head", folder / "head").returncode == 2


@pytest.mark.parametrize("command", READING, ids=" ".join)
def test_a_mistyped_address_makes_nothing(tmp_path: Path, command: tuple[str, ...]) -> None:
    for address in (f"sqlite:///{tmp_path}/none.db", f"sqlite:///{tmp_path}/no/folder.db", "sqlite:///:memory:"):
        done = run(tmp_path, *command, DATABASE_URL=address)
        assert done.returncode == 2, done
        assert done.stdout == ""
        [line] = done.stderr.splitlines()
        assert line.startswith("airway-relay: there is no database at ")
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", READING[:2], ids=" ".join)
def test_a_database_that_is_not_ours_is_left_as_it_is(tmp_path: Path, command: tuple[str, ...]) -> None:
    file = tmp_path / "relay.db"
    for held, said in (
        (b"", "was never used by this service"),
        (b"no database at all" * 100, "the database cannot be used (DatabaseError)"),
    ):
        file.write_bytes(held)
        done = run(tmp_path, *command)
        assert (done.returncode, done.stdout) == (2, "")
        [line] = done.stderr.splitlines()
        assert said in line
        assert file.read_bytes() == held
        assert [one.name for one in tmp_path.iterdir()] == ["relay.db"]


def test_a_database_of_another_schema_is_not_brought_up(tmp_path: Path) -> None:
    landing("5399dd4", "sqlite", tmp_path, lambda: "")
    (tmp_path / "5399dd4.db").rename(tmp_path / "relay.db")
    done = run(tmp_path, "verify")
    assert done.returncode == 2
    assert "has the schema 0011" in done.stderr
    engine = create_engine(f"sqlite:///{tmp_path}/relay.db")
    with engine.connect() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "0011"
    engine.dispose()


def test_on_postgresql_nothing_is_made_either(tmp_path: Path, new_postgres: Callable[..., str]) -> None:
    url = new_postgres()
    for command in READING[:2]:
        done = run(tmp_path, *command, DATABASE_URL=url)
        assert (done.returncode, done.stdout) == (2, "")
        assert "was never used by this service" in done.stderr
    engine = engine_of(url)
    assert inspect(engine).get_table_names() == []
    engine.dispose()
    name = url.rsplit("/", 1)[1].split("?")[0]
    done = run(tmp_path, "verify", DATABASE_URL=url.replace(name, f"{name}_mistyped"))
    assert done.returncode == 2
    assert done.stderr == "airway-relay: the database cannot be used (OperationalError); see DATABASE_URL.\n"


def test_while_the_service_has_the_database_open(tmp_path: Path, sqlite_pipeline: Pipeline) -> None:
    number = closed_case(sqlite_pipeline)
    assert run(tmp_path, "verify").returncode == 0
    assert sqlite_pipeline.case(number)["stage"] == "closed"


def test_a_file_that_cannot_be_written_is_verified(folder: Path) -> None:
    """A copy kept elsewhere, write-protected."""
    os.chmod(folder / "relay.db", 0o400)
    done: subprocess.CompletedProcess[str] = run(folder, "verify")
    assert done.returncode == 0, done.stderr
