"""The commands for the audit and for records, as the keeper of a database calls them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from joserfc.jwk import ECKey
from sqlalchemy import create_engine, text

from service.access.grant import Grant, Office
from service.fhir.json_text import load
from service.pipeline import Pipeline
from service.pipeline.access.emergencies import Emergencies, Policy, Wanted
from tests.operator_commands import run_command
from tests.store.test_record import closed_case, patient_of


def run(folder: Path, *arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    return run_command(arguments, {"DATABASE_URL": f"sqlite:///{folder}/relay.db", **environment})


@pytest.fixture
def folder(tmp_path: Path, sqlite_pipeline: Pipeline) -> Path:
    """A folder with a database of one closed case, and a key to sign with."""
    closed_case(sqlite_pipeline)
    (tmp_path / "key.pem").write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    return tmp_path


def test_a_head_is_exported_and_verified_elsewhere(folder: Path) -> None:
    own = {"AIRWAY_RELAY_AUDIT_KEY_FILE": str(folder / "key.pem")}
    head, key = run(folder, "audit", "head", **own), run(folder, "audit", "key", **own)
    assert (head.returncode, key.returncode) == (0, 0)
    assert '"d"' not in key.stdout
    (folder / "head").write_text(head.stdout)
    (folder / "key.json").write_text(key.stdout)
    well = run(folder, "audit", "verify", "--head", folder / "head", "--key", folder / "key.json")
    assert (well.returncode, well.stderr) == (0, "")
    assert well.stdout.startswith("3 links of the audit against the head of ")
    assert well.stdout.endswith(": nothing is wrong.\n")
    engine = create_engine(f"sqlite:///{folder}/relay.db")
    with engine.begin() as connection:
        connection.execute(text("UPDATE resource_version SET body = body || ' ' WHERE type = 'AuditEvent'"))
    engine.dispose()
    bad = run(folder, "audit", "verify")
    assert bad.returncode == 1
    assert [line.split(":")[0] for line in bad.stdout.splitlines()] == [
        "chain 0 number 1",
        "chain 0 number 2",
        "chain 0 number 3",
        "3 links of the audit",
    ]
    other = run(folder, "audit", "verify", "--head", folder / "head", "--key", folder / "key.pem")
    assert other.returncode == 1
    (folder / "other.pem").write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    forged = run(folder, "audit", "verify", "--head", folder / "head", "--key", folder / "other.pem")
    assert forged.returncode == 1
    assert forged.stdout.endswith("the signature is not of this key, or the head was changed\n")


def test_what_cannot_be_run_is_said_in_a_line(folder: Path) -> None:
    for arguments, said in (
        (("audit", "head"), "AIRWAY_RELAY_AUDIT_KEY_FILE names no file with a key."),
        (("audit", "verify", "--head", folder / "none"), "No such file"),
        (("record", "expire", "--before", "soon"), "--before: "),
        (("record", "expire", "--before", "2999-01-01"), "does not lie between"),
        (("record", "expire", "--before", "2199-01-01"), "future"),
        (("record", "expire", "--before", "2026-11-01", "--delete"), "--reason"),
    ):
        done = run(folder, *arguments)
        assert done.returncode == 2, done
        assert said in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_a_record_is_exported_into_a_file_of_its_owner(folder: Path, sqlite_pipeline: Pipeline) -> None:
    number = sqlite_pipeline.worklist(None, None, 1)[0].case_number
    patient = patient_of(sqlite_pipeline, number)
    done = run(folder, "record", "export", "--patient", patient, folder / "record.json")
    assert done.returncode == 0, done.stderr
    assert load((folder / "record.json").read_text())["type"] == "collection"
    assert (folder / "record.json").stat().st_mode & 0o777 == 0o600
    assert run(folder, "record", "export", "--patient", patient, folder / "record.json").returncode == 2
    assert run(folder, "record", "export", "--patient", "none", folder / "other.json").returncode == 1


def test_expired_cases_are_listed_first_and_removed_when_told(folder: Path, sqlite_pipeline: Pipeline) -> None:
    number = sqlite_pipeline.worklist(None, None, 1)[0].case_number
    engine = create_engine(f"sqlite:///{folder}/relay.db")
    with engine.begin() as connection:
        connection.execute(text("UPDATE case_row SET changed_at = '2014-01-01T00:00:00.000Z'"))
    engine.dispose()
    listed = run(folder, "record", "expire", "--before", "2015-01-01")
    assert (listed.returncode, listed.stdout) == (0, f"{number}: can be removed\n")
    again = run(folder, "record", "expire", "--before", "2015-01-01", "--delete", "--reason", "ten years are over")
    assert (again.returncode, again.stdout) == (0, f"{number}: removed\n")
    assert run(folder, "record", "expire", "--before", "2015-01-01").stdout == ""
    assert run(folder, "audit", "verify").returncode == 0


def test_emergency_accesses_are_listed_until_they_are_reviewed(folder: Path, sqlite_pipeline: Pipeline) -> None:
    case = sqlite_pipeline.worklist(None, None, 1)[0].case_number
    grant = Grant("ward", frozenset({Office.PHYSICIAN}), "Organization/ward", ())
    emergencies = Emergencies(sqlite_pipeline, Policy(frozenset({"ward"})))
    wanted = Wanted("", case, "Found unconscious, no letter", "Dr Invented")
    number = emergencies.open(grant, wanted, "r-1").access.id
    listed = run(folder, "audit", "emergencies")
    assert (listed.returncode, listed.stderr) == (0, "")
    [line] = listed.stdout.splitlines()
    assert line.startswith(number) and line.endswith("not reviewed")
    assert "Dr Invented (as the client ward says; not verified)" in line and f"case {case}" in line
    assert run(folder, "audit", "review", number, "--by", "A. Reviewer", "--note", " ").returncode == 1
    assert run(folder, "audit", "review", "none", "--by", "A. Reviewer", "--note", "Needed").returncode == 1
    done = run(folder, "audit", "review", number, "--by", "A. Reviewer", "--note", "Needed")
    assert (done.returncode, done.stdout) == (0, f"{number} is reviewed.\n")
    assert run(folder, "audit", "emergencies").stdout == ""
    assert run(folder, "audit", "emergencies", "--all").stdout.rstrip().endswith("by A. Reviewer: Needed")
    again = run(folder, "audit", "review", number, "--by", "B. Reviewer", "--note", "Needed")
    assert again.returncode == 1 and "was reviewed on" in again.stderr
    assert run(folder, "audit", "verify").stdout.endswith(": nothing is wrong.\n")
