"""Access by SMART Backend Services: a token for a signed assertion, fetched when it is needed and renewed before it ends.

https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from joserfc import jwt
from joserfc.jwk import ECKey, RSAKey

from service.client.failure import no_answer

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ASSERTION_SECONDS = 240
_RENEWED_BEFORE_SECONDS = 30


@dataclass(frozen=True)
class BackendKey:
    """Who a client is: its registered id, its private key (JWK with `kid`; RSA, or EC P-384), the scopes it asks for."""

    client_id: str
    private_jwk: dict[str, Any] = field(repr=False)
    scopes: tuple[str, ...]

    def assertion(self, token_url: str, now_s: float) -> str:
        """A signed assertion for one use at a token endpoint, good for four minutes."""
        is_rsa = self.private_jwk.get("kty") == "RSA"
        key = RSAKey.import_key(self.private_jwk) if is_rsa else ECKey.import_key(self.private_jwk)
        algorithm = "RS384" if is_rsa else "ES384"
        claims = {
            "iss": self.client_id,
            "sub": self.client_id,
            "aud": token_url,
            "iat": int(now_s),
            "exp": int(now_s) + _ASSERTION_SECONDS,
            "jti": uuid.uuid4().hex,
        }
        header = {"alg": algorithm, "kid": self.private_jwk.get("kid", ""), "typ": "JWT"}
        return jwt.encode(header, claims, key, algorithms=[algorithm])

    def form(self, token_url: str, now_s: float) -> dict[str, str]:
        """The form of a request for a token."""
        return {
            "grant_type": "client_credentials",
            "scope": " ".join(self.scopes),
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": self.assertion(token_url, now_s),
        }


Fetched = Callable[[str], dict[str, Any]]
"""What is at an address of the server, as JSON."""
Posted = Callable[[str, Callable[[], dict[str, str]]], dict[str, Any]]
"""The answer to a form, which is made anew for every attempt."""


@dataclass
class TokenSource:
    """The token in use. `get` and `post` make the requests; `now_s` is the time in seconds since 1970."""

    key: BackendKey
    get: Fetched
    post: Posted
    now_s: Callable[[], float] = time.time
    _token: str = field(default="", repr=False)
    _ends_s: float = 0
    _url: str = ""

    def token(self) -> str:
        """A token with at least half a minute left. RelayError when the server gives none."""
        if not self._token or self.now_s() > self._ends_s - _RENEWED_BEFORE_SECONDS:
            self._renew()
        return self._token

    def forget(self) -> None:
        """The server no longer takes this token: the next request fetches another."""
        self._token = ""

    def _renew(self) -> None:
        if not self._url:
            self._url = str(self.get("/.well-known/smart-configuration").get("token_endpoint", ""))
        asked_s = self.now_s()
        answer = self.post(self._url, lambda: self.key.form(self._url, self.now_s()))
        token, lasts_s = answer.get("access_token"), answer.get("expires_in")
        if not isinstance(token, str) or not isinstance(lasts_s, int):
            raise no_answer("The token endpoint gave no token.")
        self._token, self._ends_s = token, asked_s + lasts_s
