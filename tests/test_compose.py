"""docker-compose.yml says what it should, and its service runs as it says on a real PostgreSQL."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from sqlalchemy.engine import make_url

from tests.access.clients import TestedClient, ec_key, public_set

_ROOT = Path(__file__).parents[1]
_PASSWORD = re.compile(r"\$\{POSTGRES_PASSWORD:\?[^}]+\}")
_PORT = "8080"
_PUBLIC = "https://relay.example"


@pytest.fixture
def compose() -> dict[str, Any]:
    return yaml.safe_load((_ROOT / "docker-compose.yml").read_text())


def test_it_has_the_service_its_database_and_its_proxy(compose: dict[str, Any]):
    assert set(compose["services"]) == {"service", "database", "proxy"}
    assert compose["services"]["database"]["image"] == "postgres:16"
    assert compose["services"]["service"]["command"] == ["airway-relay", "serve"]


def test_both_have_health_checks_and_the_service_waits_for_its_database(compose: dict[str, Any]):
    for name in ("service", "database"):
        check = compose["services"][name]["healthcheck"]
        assert check["test"][0] == "CMD"
        assert check["retries"] >= 10
    assert compose["services"]["service"]["depends_on"] == {"database": {"condition": "service_healthy"}}


def test_the_proxy_alone_is_published_and_believed(compose: dict[str, Any]):
    proxy, service = compose["services"]["proxy"], compose["services"]["service"]
    assert proxy["ports"] == ["443:443"]
    assert "ports" not in service
    assert "ports" not in compose["services"]["database"]
    address = proxy["networks"]["default"]["ipv4_address"]
    assert service["environment"]["AIRWAY_RELAY_PROXIES"].split() == [address, "127.0.0.1"]
    assert ip_address(address) in ip_network(compose["networks"]["default"]["ipam"]["config"][0]["subnet"])
    assert proxy["depends_on"] == {"service": {"condition": "service_healthy"}}


def test_the_proxy_finds_the_service_and_keeps_bodies_in_memory(compose: dict[str, Any]):
    proxy = compose["services"]["proxy"]
    source, _, target = proxy["volumes"][0].removesuffix(":ro").partition(":")
    assert target == "/etc/nginx/nginx.conf"
    configured = (_ROOT / source).read_text()
    assert f"proxy_pass http://service:{_PORT};" in configured
    kept = re.findall(r"(?:client_body|proxy)_temp_path (\S+);", configured)
    assert len(kept) == 2
    assert all(path.startswith(f"{proxy['tmpfs'][0]}/") for path in kept)


def test_it_holds_no_secret_and_refuses_to_start_without_one(compose: dict[str, Any]):
    environment = compose["services"]["database"]["environment"]
    assert _PASSWORD.fullmatch(environment["POSTGRES_PASSWORD"])
    url = make_url(_PASSWORD.sub("PASSWORD", compose["services"]["service"]["environment"]["DATABASE_URL"]))
    assert url.password == "PASSWORD"
    assert (url.username, url.database) == (environment["POSTGRES_USER"], environment["POSTGRES_DB"])
    assert url.host in compose["services"]
    found = [name for name in _names(compose) if re.search("password|secret|token|key", name, re.IGNORECASE)]
    secrets = [name for name in found if not name.endswith("_FILE")]
    assert secrets == ["POSTGRES_PASSWORD"]


def _names(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, held in value.items():
            yield name
            yield from _names(held)


def test_the_image_is_built_from_files_that_are_here(compose: dict[str, Any]):
    build = compose["services"]["service"]["build"]
    lines = build["dockerfile_inline"].splitlines()
    assert lines[0] == "FROM python:3.11-slim"
    installed = [line.removeprefix("RUN pip install --no-cache-dir ") for line in lines if "pip install" in line]
    assert installed[0] == "--require-hashes -r requirements.lock"
    assert [line.split()[:2] for line in installed[1:]] == [["--no-deps", "."]]
    assert any(line.startswith("USER ") and line != "USER root" for line in lines)
    copied = [name for line in lines if line.startswith("COPY ") for name in line.split()[1:-1]]
    assert {"pyproject.toml", "service", "profiles", "service/operations/requirements.lock"} <= set(copied)
    assert all((_ROOT / build["context"] / name).exists() for name in copied)


@pytest.fixture
def running(
    compose: dict[str, Any], new_postgres: Callable[[], str], tmp_path: Path
) -> Iterator[tuple[list[str], str, dict[str, str]]]:
    """The service started with the file's own command and environment; its health check, address and environment.

    Only what one machine without containers must change is changed: the database's address, the port, and where the
    key file is.
    """
    service = compose["services"]["service"]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    environment = {
        **{k: v for k, v in os.environ.items() if not k.startswith(("AIRWAY_RELAY_", "DATABASE_"))},
        **service["environment"],
        "DATABASE_URL": new_postgres(),
        "AIRWAY_RELAY_PORT": port,
        "AIRWAY_RELAY_PUBLIC_URL": _PUBLIC,
        "AIRWAY_RELAY_KEY_FILE": str(tmp_path / "keys.json"),
    }
    command = shutil.which(service["command"][0], path=str(Path(sys.executable).parent))
    assert command, "the distribution installs the command the file starts"
    check = [sys.executable if part == "python" else part for part in service["healthcheck"]["test"][1:]]
    process = subprocess.Popen(
        [command, *service["command"][1:]], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield [part.replace(f":{_PORT}/", f":{port}/") for part in check], f"http://127.0.0.1:{port}", environment
    finally:
        process.terminate()
        process.wait(10)


def test_its_service_becomes_healthy_and_takes_a_referral_of_a_client(
    running: tuple[list[str], str, dict[str, str]], tmp_path: Path
):
    check, address, environment = running
    assert _healthy(check)
    referral = (_ROOT / "examples/sleep-lab/referral.json").read_bytes()
    through_proxy = {"Content-Type": "application/json", "X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.7"}
    with httpx.Client(base_url=address, timeout=30) as client:
        straight = client.post("/intake/referrals", content=referral, headers={"Content-Type": "application/json"})
        assert straight.status_code == 403
        nobody = client.post("/intake/referrals", content=referral, headers=through_proxy)
        assert nobody.status_code == 401
        client.headers.update(through_proxy | {"Authorization": f"Bearer {_token(client, environment, tmp_path)}"})
        answer = client.post("/intake/referrals", content=referral)
        assert answer.status_code == 201
        assert client.get(answer.headers["Location"]).json()["stage"] == "referred"


def _token(client: httpx.Client, environment: dict[str, str], folder: Path) -> str:
    """A token for a client that is registered as the file's first lines say."""
    key = ec_key()
    (folder / "public.json").write_bytes(public_set(key))
    options = ["--name", "Laboratory", "--office", "sleep-lab", "--organisation-id", "tarnwick-sleep"]
    options += ["--organisation-name", "Laboratory", "--scope", "system/*.cruds", "--jwks", str(folder / "public.json")]
    command = shutil.which("airway-relay", path=str(Path(sys.executable).parent))
    assert command
    done = subprocess.run([command, "client", "add", *options], env=environment, capture_output=True, check=True)
    known = TestedClient(done.stdout.decode().strip(), key, time.time(), _PUBLIC, ("system/*.cruds",))
    proxied = {"X-Forwarded-Proto": "https"}
    return client.post("/token", data=known.form(), headers=proxied).raise_for_status().json()["access_token"]


def _healthy(check: list[str]) -> bool:
    until = time.monotonic() + 30
    while time.monotonic() < until:
        if subprocess.run(check, capture_output=True, check=False).returncode == 0:
            return True
        time.sleep(0.1)
    return False
