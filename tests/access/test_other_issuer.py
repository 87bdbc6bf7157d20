"""Tokens of another authorisation server, whose keys are fetched once and checked without asking it again.

Sources: RFC 9068 and RFC 8725; the claims `client_id`, `azp` and `sub` as authorisation servers commonly fill them
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.access.grant import Scope
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.pipeline.access.registry import Registry
from tests.access.clients import bearer, ec_key, handmade, hmac_by, public_set, register, rsa_key, served, signed
from tests.conftest import Clock
from tests.outbound.receiver import Receiver, receiving

ISSUER, AUDIENCE = "https://login.example/realms/sleep", "https://relay.example/fhir"
RSA, EC, SMALL = rsa_key("i-1"), ec_key("i-2"), ec_key("i-3", curve="P-256")


@pytest.fixture
def keeper() -> Iterator[Receiver]:
    with receiving() as found:
        found.body = public_set(RSA, EC, SMALL)
        yield found


@pytest.fixture
def service(sqlite_pipeline: Pipeline, tmp_path: Path, keeper: Receiver) -> Iterator[TestClient]:
    register(sqlite_pipeline, client_id="lab-system", scopes=("system/Observation.rs",))
    with served(
        sqlite_pipeline,
        tmp_path,
        issuer=ISSUER,
        issuer_jwks_url=keeper.url,
        issuer_token_url="https://login.example/token",
        audience=AUDIENCE,
        jwks_hosts=Egress("127.0.0.1", on_loopback=True),
    ) as found:
        yield found


def _claims(clock: Clock, **changes: Any) -> dict[str, Any]:
    now_s = int(clock().timestamp())
    claims = {
        "iss": ISSUER,
        "aud": [AUDIENCE, "account"],
        "sub": "service-account",
        "client_id": "lab-system",
        "scope": "openid system/Observation.cruds system/Task.r",
        "iat": now_s,
        "exp": now_s + 900,
    }
    return {k: v for k, v in {**claims, **changes}.items() if v is not None}


def _status(service: TestClient, token: str) -> int:
    return service.get("/fhir/Observation", headers=bearer(token)).status_code


@pytest.mark.parametrize(("algorithm", "key"), [("RS256", RSA), ("RS384", RSA), ("ES384", EC), ("ES256", SMALL)])
def test_its_tokens_are_taken(service: TestClient, clock: Clock, keeper: Receiver, algorithm: str, key: Any) -> None:
    token = signed({"alg": algorithm, "kid": key.kid}, _claims(clock), key)
    assert _status(service, token) == 200
    grant = service.app.state.access.check.known(token)  # type: ignore[union-attr]
    assert (grant.client, grant.scopes) == ("lab-system", (Scope("Observation", frozenset("rs")),))
    assert _status(service, token) == 200
    assert keeper.asked == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"client_id": None, "azp": "lab-system"},
        {"client_id": None, "sub": "lab-system"},
        {"aud": AUDIENCE},
    ],
)
def test_the_client_is_found_by_the_claim_that_names_it(
    service: TestClient, clock: Clock, changes: dict[str, Any]
) -> None:
    assert _status(service, signed({"alg": "RS256", "kid": "i-1"}, _claims(clock, **changes), RSA)) == 200


@pytest.mark.parametrize(
    "changes",
    [
        {"iss": "https://other.example"},
        {"aud": "https://other.example"},
        {"aud": None},
        {"exp": None},
        {"exp": 1},
        {"client_id": "unknown"},
        {"client_id": None},
        {"client_id": "", "azp": "lab-system"},
        {"scope": ["system/Observation.rs"]},
        {"nbf": 4_000_000_000},
    ],
    ids=str,
)
def test_a_token_that_says_anything_else_is_refused(service: TestClient, clock: Clock, changes: dict[str, Any]) -> None:
    assert _status(service, signed({"alg": "RS256", "kid": "i-1"}, _claims(clock, **changes), RSA)) == 401


def test_another_algorithm_or_key_is_refused(service: TestClient, clock: Clock) -> None:
    claims = _claims(clock)
    pem = RSA.as_pem(private=False)
    for token in (
        handmade({"alg": "HS256", "kid": "i-1"}, claims, hmac_by(pem)),
        handmade({"alg": "none", "kid": "i-1"}, claims, lambda _: b""),
        signed({"alg": "ES384", "kid": "i-1"}, claims, EC),
        signed({"alg": "RS256", "kid": "i-2"}, claims, RSA),
        signed({"alg": "RS256", "kid": "i-1"}, claims, rsa_key("i-1")),
        signed({"alg": "RS256", "kid": "i-9"}, claims, RSA),
    ):
        assert _status(service, token) == 401


def test_a_revoked_client_is_refused_whatever_its_server_says(
    service: TestClient, sqlite_pipeline: Pipeline, clock: Clock
) -> None:
    token = signed({"alg": "RS256", "kid": "i-1"}, _claims(clock), RSA)
    assert _status(service, token) == 200
    Registry(sqlite_pipeline, lambda _: "").revoke("lab-system")
    clock.move(seconds=2)
    assert _status(service, token) == 401


def test_the_service_itself_makes_no_tokens_then_and_says_where_they_are(service: TestClient) -> None:
    for path in ("/token", "/introspect", "/revoke"):
        assert service.post(path, data={}).status_code == 404
    body = service.get("/.well-known/smart-configuration").json()
    assert body["token_endpoint"] == "https://login.example/token"
    assert "introspection_endpoint" not in body
