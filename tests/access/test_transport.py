"""Beyond this machine the service starts with access control and TLS only, and says in one line what is missing.

Sources: SMART App Launch 2.2.0 (all exchanges by TLS); RFC 7239 and common practice for forwarded headers.
"""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from starlette.testclient import TestClient

from service.access_settings import AccessSettings
from service.app import build_app
from service.pipeline import Pipeline
from service.settings import Settings, SettingsError
from tests.conftest import Service

OPEN_HOST = {"AIRWAY_RELAY_HOST": "0.0.0.0"}
ON = {"AIRWAY_RELAY_ACCESS": "on"}
URL = {"AIRWAY_RELAY_PUBLIC_URL": "https://relay.example"}
TLS = {"AIRWAY_RELAY_TLS_CERTIFICATE": "c.pem", "AIRWAY_RELAY_TLS_KEY": "k.pem"}
PROXY = {"AIRWAY_RELAY_PROXIES": "10.0.5.7, 10.0.6.0/24"}
ISSUER = {
    "AIRWAY_RELAY_ISSUER": "https://login.example",
    "AIRWAY_RELAY_ISSUER_JWKS_URL": "https://login.example/jwks",
    "AIRWAY_RELAY_ISSUER_TOKEN_URL": "https://login.example/token",
}

REFUSED = [
    (OPEN_HOST, "AIRWAY_RELAY_ACCESS=on"),
    ({"AIRWAY_RELAY_HOST": "192.168.1.5"}, "AIRWAY_RELAY_ACCESS=on"),
    ({"AIRWAY_RELAY_HOST": "::"}, "AIRWAY_RELAY_ACCESS=on"),
    ({"AIRWAY_RELAY_HOST": "relay.example"}, "AIRWAY_RELAY_ACCESS=on"),
    ({**OPEN_HOST, "AIRWAY_RELAY_TRUSTED_NETWORK": "yes"}, "AIRWAY_RELAY_ACCESS=on"),
    ({**OPEN_HOST, **TLS, **URL}, "AIRWAY_RELAY_ACCESS=on"),
    ({**OPEN_HOST, **ON, **URL}, "AIRWAY_RELAY_TLS_CERTIFICATE"),
    ({**OPEN_HOST, **ON, **TLS}, "AIRWAY_RELAY_PUBLIC_URL"),
    ({**OPEN_HOST, **ON, **PROXY, "AIRWAY_RELAY_PUBLIC_URL": "http://relay.example"}, "AIRWAY_RELAY_PUBLIC_URL"),
    ({**ON, "AIRWAY_RELAY_PUBLIC_URL": "https://relay.example/fhir"}, "without a path"),
    ({**ON, "AIRWAY_RELAY_PUBLIC_URL": "relay.example"}, "without a path"),
    ({"AIRWAY_RELAY_TLS_KEY": "k.pem"}, "both or not at all"),
    ({**OPEN_HOST, **ON, **URL, "AIRWAY_RELAY_PROXIES": "*"}, "AIRWAY_RELAY_PROXIES"),
    ({**OPEN_HOST, **ON, **URL, "AIRWAY_RELAY_PROXIES": "0.0.0.0/0"}, "AIRWAY_RELAY_PROXIES"),
    ({**OPEN_HOST, **ON, **URL, "AIRWAY_RELAY_PROXIES": "proxy.example"}, "AIRWAY_RELAY_PROXIES"),
    ({"AIRWAY_RELAY_ACCESS": "yes"}, "AIRWAY_RELAY_ACCESS is on or off"),
    ({**ON, "AIRWAY_RELAY_JWKS_HOSTS": "*.example"}, "AIRWAY_RELAY_JWKS_HOSTS"),
    ({**ON, **ISSUER}, "AIRWAY_RELAY_JWKS_HOSTS"),
    ({**ON, "AIRWAY_RELAY_ISSUER": "https://login.example"}, "set together"),
]


@pytest.mark.parametrize(("environment", "words"), REFUSED, ids=lambda v: str(v)[:70])
def test_settings_that_would_be_unsafe_are_refused_in_one_line(environment: dict[str, str], words: str) -> None:
    with pytest.raises(SettingsError) as refused:
        Settings.from_environment(environment)
    assert words in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1


TAKEN = [
    {},
    ON,
    {**OPEN_HOST, **ON, **URL, **TLS},
    {**OPEN_HOST, **ON, **URL, **PROXY},
    {**ON, **ISSUER, "AIRWAY_RELAY_JWKS_HOSTS": "login.example"},
    {"AIRWAY_RELAY_HOST": "::1"},
]


@pytest.mark.parametrize("environment", TAKEN, ids=lambda v: " ".join(v)[:70] or "nothing")
def test_settings_that_are_safe_are_taken(environment: dict[str, str]) -> None:
    Settings.from_environment(environment)


def test_where_clients_know_the_service() -> None:
    assert Settings.from_environment({}).public_url == "http://127.0.0.1:8080"
    assert Settings.from_environment({"AIRWAY_RELAY_HOST": "::1"}).public_url == "http://[::1]:8080"
    assert (
        Settings.from_environment({"AIRWAY_RELAY_PUBLIC_URL": "https://r.example/"}).public_url == "https://r.example"
    )


def _serve(**environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "service", "serve"],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_a_start_that_is_refused_is_one_plain_line_and_exit_2(tmp_path: Path) -> None:
    database = {"DATABASE_URL": f"sqlite:///{tmp_path}/relay.db"}
    readable = tmp_path / "readable.json"
    readable.write_text("{}")
    readable.chmod(0o644)
    junk = tmp_path / "junk.json"
    junk.write_text('{"keys": []}')
    junk.chmod(0o600)
    for environment, words in (
        ({**OPEN_HOST}, "AIRWAY_RELAY_ACCESS=on"),
        ({**ON, "AIRWAY_RELAY_KEY_FILE": str(readable)}, "chmod 600"),
        ({**ON, "AIRWAY_RELAY_KEY_FILE": str(junk)}, "not a key file"),
        ({**ON, "AIRWAY_RELAY_KEY_FILE": str(tmp_path / "none" / "k.json")}, "No such file"),
        ({**TLS}, "AIRWAY_RELAY_TLS_CERTIFICATE"),
    ):
        done = _serve(**database, **environment)
        assert done.returncode == 2, environment
        (line,) = done.stderr.splitlines()
        assert line.startswith("airway-relay: ") and words in line


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes the certificate of this test")
def test_the_service_serves_https_with_a_certificate_of_its_own(
    start_service: Callable[..., Service], tmp_path: Path
) -> None:
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    subprocess.run(
        f"openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=relay.example "
        f"-addext subjectAltName=IP:127.0.0.1 -keyout {key} -out {certificate}".split(),
        check=True,
        capture_output=True,
    )
    trusted = ssl.create_default_context(cafile=str(certificate))
    service = start_service(
        f"sqlite:///{tmp_path}/relay.db",
        trusted=trusted,
        AIRWAY_RELAY_ACCESS="on",
        AIRWAY_RELAY_HOST="0.0.0.0",
        AIRWAY_RELAY_PUBLIC_URL="https://relay.example",
        AIRWAY_RELAY_KEY_FILE=str(tmp_path / "keys.json"),
        AIRWAY_RELAY_TLS_CERTIFICATE=str(certificate),
        AIRWAY_RELAY_TLS_KEY=str(key),
    )
    assert service.address.startswith("https://")
    assert httpx.get(f"{service.address}/cases", verify=trusted).status_code == 401
    discovered = httpx.get(f"{service.address}/.well-known/smart-configuration", verify=trusted).json()
    assert discovered["token_endpoint"] == "https://relay.example/token"
    with pytest.raises(httpx.TransportError):
        httpx.get(service.address.replace("https", "http"))


@pytest.mark.long
def test_behind_a_proxy_only_its_word_counts(start_service: Callable[..., Service], tmp_path: Path) -> None:
    proxied = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9"}
    common = {
        "AIRWAY_RELAY_ACCESS": "on",
        "AIRWAY_RELAY_PUBLIC_URL": "https://relay.example",
        "AIRWAY_RELAY_KEY_FILE": str(tmp_path / "keys.json"),
    }
    url = f"sqlite:///{tmp_path}/relay.db"
    behind = start_service(url, **common, AIRWAY_RELAY_PROXIES="127.0.0.1")
    assert httpx.get(f"{behind.address}/fhir/metadata", headers=proxied).status_code == 200
    straight = httpx.get(f"{behind.address}/fhir/metadata")
    assert (straight.status_code, straight.json()["issue"][0]["code"]) == (403, "security")
    assert httpx.get(f"{behind.address}/health").status_code == 200
    elsewhere = start_service(url, **common, AIRWAY_RELAY_PROXIES="10.0.5.7")
    assert httpx.get(f"{elsewhere.address}/fhir/metadata", headers=proxied).status_code == 403


def test_by_http_nothing_is_taken_when_the_service_is_known_by_https(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    access = AccessSettings(on=True, public_url="https://relay.example", key_file=str(tmp_path / "keys.json"))
    app = build_app(Settings(access=access), sqlite_pipeline)
    assert TestClient(app).post("/token", data={}).status_code == 403
    assert TestClient(app, base_url="https://relay.example").post("/token", data={}).status_code == 400
