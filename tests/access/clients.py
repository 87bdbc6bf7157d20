"""Clients for tests: their keys, assertions in any shape, a service in this process that knows them."""

from __future__ import annotations

import base64
import hashlib
import hmac
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from joserfc import jws
from joserfc.jwk import ECKey, RSAKey
from starlette.testclient import TestClient

from service.access.grant import Office
from service.access_settings import AccessSettings
from service.app import build_app
from service.fhir.json_text import write
from service.pipeline import Pipeline
from service.pipeline.access.authenticate import ASSERTION_TYPE
from service.pipeline.access.registry import Registry
from service.settings import Settings

BASE = "http://127.0.0.1:8080"
TOKEN_URL = f"{BASE}/token"
SCOPES = ("system/Observation.rs", "system/Task.crus")
ALGORITHMS = ("RS256", "RS384", "ES256", "ES384")


def ec_key(kid: str = "ec-1", curve: str = "P-384") -> ECKey:
    return ECKey.generate_key(curve, {"kid": kid})


def rsa_key(kid: str = "rsa-1", bits: int = 2048) -> RSAKey:
    return RSAKey.generate_key(bits, {"kid": kid})


def public_set(*keys: ECKey | RSAKey) -> bytes:
    return write({"keys": [dict(key.as_dict(private=False)) for key in keys]}).encode()


def handmade(header: dict[str, Any], claims: dict[str, Any], sign: Callable[[bytes], bytes]) -> str:
    """A token that the library would not write, with a signature of any kind."""

    def part(data: bytes) -> str:
        return base64.urlsafe_b64encode(data).decode().rstrip("=")

    text = f"{part(write(header).encode())}.{part(write(claims).encode())}"
    return f"{text}.{part(sign(text.encode()))}"


def hmac_by(secret: bytes) -> Callable[[bytes], bytes]:
    return lambda text: hmac.new(secret, text, hashlib.sha384).digest()


def by_ec(key: ECKey) -> Callable[[bytes], bytes]:
    return lambda text: jws.JWSRegistry.algorithms["ES384"].sign(text, key)


def signed(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    registry = jws.JWSRegistry(algorithms=ALGORITHMS, strict_check_header=False)
    return jws.serialize_compact(header, write(claims), key, registry=registry)


@dataclass
class TestedClient:
    """A registered client with its keys. `now_s` is what its clock says."""

    id: str
    key: ECKey | RSAKey
    now_s: float
    base: str = BASE
    registered: tuple[str, ...] = SCOPES

    def header(self, **changes: Any) -> dict[str, Any]:
        algorithm = "ES384" if isinstance(self.key, ECKey) else "RS384"
        return _changed({"alg": algorithm, "kid": self.key.kid, "typ": "JWT"}, changes)

    def claims(self, **changes: Any) -> dict[str, Any]:
        claims = {
            "iss": self.id,
            "sub": self.id,
            "aud": f"{self.base}/token",
            "exp": int(self.now_s) + 240,
            "iat": int(self.now_s),
            "jti": uuid.uuid4().hex,
        }
        return _changed(claims, changes)

    def assertion(self, **changes: Any) -> str:
        return signed(self.header(), self.claims(**changes), self.key)

    def form(self, assertion: str | None = None, **changes: Any) -> dict[str, str]:
        form = {
            "grant_type": "client_credentials",
            "scope": " ".join(self.registered),
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": assertion or self.assertion(),
        }
        return _changed(form, changes)

    def token(self, service: TestClient, **changes: Any) -> str:
        answer = service.post("/token", data=self.form(**changes))
        assert answer.status_code == 200, answer.text
        return answer.json()["access_token"]


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def _changed(held: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """With other values; None takes one away."""
    return {name: value for name, value in {**held, **changes}.items() if value is not None}


def access_settings(folder: Path, **changes: Any) -> Settings:
    """Access control on, on loopback, with a key file in a folder."""
    access = AccessSettings(on=True, key_file=str(folder / "keys.json"), **changes)
    return Settings(access=access)


def register(
    pipeline: Pipeline,
    key: ECKey | RSAKey | None = None,
    scopes: tuple[str, ...] = SCOPES,
    office: Office = Office.SLEEP_LAB,
    organisation: str = "lab-1",
    keys_url: str = "",
    client_id: str = "",
) -> TestedClient:
    """A client of its own in the registry; with a key of its own unless one is given."""
    key = key or ec_key()
    keys = b"" if keys_url or client_id else public_set(key)
    registry = Registry(pipeline, lambda _url: "")
    added = registry.add("A system", [office], organisation, "An office", scopes, keys, keys_url, client_id)
    return TestedClient(added.id, key, pipeline.now().timestamp(), registered=scopes)


@contextmanager
def served(pipeline: Pipeline, folder: Path, **changes: Any) -> Iterator[TestClient]:
    """The web application in this process with access control on."""
    client = TestClient(build_app(access_settings(folder, **changes), pipeline), raise_server_exceptions=False)
    try:
        yield client
    finally:
        client.close()
