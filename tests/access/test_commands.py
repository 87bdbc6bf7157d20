"""`airway-relay client` and `airway-relay key`, as an operator runs them (our own commands, no source)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from service.access.signing import KeyRing, make_if_missing
from service.fhir.json_text import load, write
from service.inbound.sleep_lab import map_referral
from service.intake.message import Received
from service.pipeline import Pipeline
from service.settings import Settings
from service.store import clients, resources
from service.store.clients import Client
from service.wiring import build_pipeline
from tests.access.clients import ec_key, public_set, register, rsa_key
from tests.operator_commands import run_command

ROOT = Path(__file__).parents[2]
EC = ec_key()


class Operator:
    """Runs commands on one database."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = f"sqlite:///{folder}/relay.db"
        self.keys = folder / "public.json"
        self.keys.write_bytes(public_set(EC))

    def __call__(self, *arguments: object, text: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
        return run_command(arguments, {"DATABASE_URL": self.url, **environment}, text)

    def add(self, *more: object, **environment: str) -> subprocess.CompletedProcess[str]:
        usual = ["--name", "A system", "--office", "dental-office", "--organisation-id", "dent-9"]
        usual += ["--organisation-name", "Dental office", "--scope", "system/Task.rs"]
        return self("client", "add", *usual, *(more or ("--jwks", self.keys)), **environment)

    def held(self) -> list[Client]:
        pipeline = build_pipeline(Settings(database_url=self.url))
        found = pipeline.database.read(clients.listed)
        pipeline.close()
        return found


@pytest.fixture
def operator(tmp_path: Path) -> Operator:
    return Operator(tmp_path)


def test_a_client_is_added_listed_shown_given_other_keys_and_revoked(operator: Operator) -> None:
    done = operator.add("--jwks", operator.keys, "--office", "physician", "--scope", "system/Observation.rs")
    assert (done.returncode, done.stderr) == (0, "")
    number = done.stdout.strip()
    (client,) = operator.held()
    assert (client.id, client.offices, client.scopes) == (
        number,
        "dental-office physician",
        "system/Task.rs system/Observation.rs",
    )
    listed = operator("client", "list").stdout
    assert listed.splitlines() == [f"{number}  active  dental-office physician  {client.organisation}  A system"]
    shown = operator("client", "show", number).stdout
    assert "ec-1" in shown and EC.as_dict(private=False)["x"] not in shown
    new = operator("client", "keys", number, "--jwks", "-", text=public_set(rsa_key("rsa-9")).decode())
    assert "rsa-9" in new.stdout and "ec-1" not in new.stdout
    assert load(operator.held()[0].keys)["keys"][0]["kid"] == "rsa-9"
    by_url = operator(
        "client", "keys", number, "--jwks-url", "https://keys.example/j", AIRWAY_RELAY_JWKS_HOSTS="keys.example"
    )
    assert "https://keys.example/j" in by_url.stdout
    assert (operator.held()[0].keys, operator.held()[0].keys_url) == ("", "https://keys.example/j")
    assert operator("client", "revoke", number).returncode == 0
    assert operator.held()[0].revoked
    assert "revoked" in operator("client", "list").stdout


def test_a_client_of_another_authorisation_server_has_its_id_and_no_keys(operator: Operator) -> None:
    assert operator.add("--id", "lab-system").stdout == "lab-system\n"
    assert (operator.held()[0].keys, operator.held()[0].keys_url) == ("", "")
    again = operator.add("--id", "lab-system")
    assert again.returncode == 1 and "already" in again.stderr


def test_every_problem_is_a_plain_line_and_nothing_is_kept(operator: Operator) -> None:
    private = operator.folder / "private.json"
    private.write_text(write({"keys": [dict(EC.as_dict(private=True))]}))
    done = operator.add("--jwks", private, "--scope", "user/Task.rs", "--scope", "system/Task.read")
    assert (done.returncode, done.stdout) == (1, "")
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == ["scope", "scope", "keys[0].d"]
    assert str(EC.as_dict(private=True)["d"]) not in done.stderr
    missing = operator.add("--jwks", operator.folder / "nothing.json")
    assert (missing.returncode, missing.stderr) == (1, f"{operator.folder}/nothing.json: No such file or directory\n")
    elsewhere = operator.add("--jwks-url", "https://keys.example/j")
    assert elsewhere.returncode == 1 and "AIRWAY_RELAY_JWKS_HOSTS" in elsewhere.stderr
    for words in (("show", "x"), ("revoke", "x"), ("keys", "x", "--jwks", operator.keys)):
        done = operator("client", *words)
        assert (done.returncode, done.stdout) == (1, "") and "There is no client x." in done.stderr
    assert operator.held() == []


@pytest.mark.parametrize(
    "words",
    [
        ("client",),
        ("client", "add"),
        ("client", "keys", "x"),
        ("client", "keys", "x", "--jwks", "a", "--jwks-url", "b"),
        ("client", "add", "--office", "hospital"),
        ("key",),
        ("key", "make"),
    ],
)
def test_a_wrong_call_is_exit_2(operator: Operator, words: tuple[str, ...]) -> None:
    done = operator(*words)
    assert done.returncode == 2 and done.stderr.startswith("usage: airway-relay")


def test_keys_are_rotated(operator: Operator) -> None:
    path = operator.folder / "keys.json"
    none = operator("key", "rotate", AIRWAY_RELAY_KEY_FILE=str(path))
    assert (none.returncode, len(none.stderr.splitlines())) == (2, 1)
    make_if_missing(path, 1.0)
    ring = KeyRing(path)
    done = operator("key", "rotate", AIRWAY_RELAY_KEY_FILE=str(path))
    assert done.returncode == 0
    ring.refresh()
    kids = [held.kid for held in ring._held]
    assert len(kids) == 2 and kids[0] in done.stdout
    assert not any(str(held.key.as_dict(private=True)["d"]) in done.stdout for held in ring._held)


def test_a_client_belongs_to_the_organisation_that_messages_name(pipeline: Pipeline) -> None:
    """The same number is the same Organization, whoever names it first; its first name stays."""
    referral = load((ROOT / "examples/sleep-lab/referral.json").read_text())
    laboratory = referral["laboratory"]["id"]
    before = register(pipeline, organisation=laboratory)
    pipeline.receive(Received("referral", write(referral).encode(), "r-1", plain=True), map_referral)
    after = register(pipeline, organisation=laboratory)
    other = register(pipeline, organisation="elsewhere")

    def organisation(number: str) -> str:
        found = pipeline.database.read(lambda tx: clients.find(tx, number))
        assert found is not None
        return found.organisation

    assert organisation(before.id) == organisation(after.id) != organisation(other.id)
    kind, _, number = organisation(before.id).partition("/")
    held = pipeline.database.read(lambda tx: resources.current(tx, kind, number))
    assert held is not None and load(held.body)["name"] == "An office"
