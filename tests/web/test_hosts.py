"""Under which names the service answers, and which address its answers name (RFC 9110, 7.2 and 15.5.20)."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.access_settings import AccessSettings
from service.app import build_app
from service.pipeline import Pipeline
from service.settings import Settings
from tests.web.messages import Case, post

PUBLIC = "https://relay.example"


@pytest.fixture
def public(sqlite_pipeline: Pipeline) -> TestClient:
    """A service that is known as relay.example."""
    settings = Settings(access=AccessSettings(public_url=PUBLIC))
    return TestClient(build_app(settings, sqlite_pipeline), PUBLIC, raise_server_exceptions=False)


STRANGE = [
    "evil.example",
    "evil.example:8080",
    "127.0.0.1.evil.example",
    "localhost.evil.example:80",
    "[::2]",
    "",
    "127.0.0.2",
]


@pytest.mark.parametrize("host", STRANGE)
def test_an_unknown_host_is_refused_also_with_access_off(client: TestClient, host: str) -> None:
    """A name that somebody makes lead here (DNS rebinding) opens nothing, neither pages nor resources."""
    for address in ("/", "/fhir/metadata", "/health", "/fhir/Patient"):
        answer = client.get(address, headers={"Host": host})
        assert answer.status_code == 421, (host, address)
        assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("host", ["localhost", "localhost:9999", "127.0.0.1", "[::1]:8080", "LOCALHOST:8080"])
def test_loopback_names_are_known(client: TestClient, host: str) -> None:
    assert client.get("/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("relay.example", 200),
        ("relay.example:443", 200),
        ("RELAY.example", 200),
        ("relay.example:444", 421),
        ("relay.example.evil.example", 421),
    ],
)
def test_the_configured_name_is_known(public: TestClient, host: str, status: int) -> None:
    assert public.get("/health", headers={"Host": host}).status_code == status


def test_addresses_in_answers_are_the_configured_ones(public: TestClient, sqlite_pipeline: Pipeline) -> None:
    """Whatever name of loopback a request uses, links, Location and the CapabilityStatement name the public address."""
    case = Case(public)
    asked = {"Host": "localhost:5000", "X-Forwarded-Host": "evil.example", "Forwarded": "host=evil.example"}
    found = public.get(f"/fhir/Observation?_count=1&patient={case.patient}", headers=asked).json()
    assert all(link["url"].startswith(f"{PUBLIC}/fhir/") for link in found["link"])
    assert all(entry["fullUrl"].startswith(f"{PUBLIC}/fhir/") for entry in found["entry"])
    assert public.get("/fhir/metadata", headers=asked).json()["implementation"]["url"] == f"{PUBLIC}/fhir"
    entry = {
        "resourceType": "Organization",
        "identifier": [{"system": "https://x.example", "value": "1"}],
        "active": True,
        "name": "Invented",
    }
    made = post(public, "/fhir/Organization", entry, **asked)
    assert made.headers["location"].startswith(f"{PUBLIC}/fhir/Organization/")
