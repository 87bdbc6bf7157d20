"""A stand-in for an OpenID Connect provider: a small HTTP server in a thread, and the person in front of it.

It is strict about what a provider must check (client, code once, redirect URI, PKCE) and says what a test has it say.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, unquote_plus, urlencode, urlsplit

from joserfc import jws
from joserfc.jwk import ECKey, RSAKey

from service.fhir.json_text import load, write
from tests.access.clients import ec_key, public_set, rsa_key, signed

CLIENT_ID, SECRET = "airway relay/pages", "s3cret: with + and %"
KEYS: dict[str, ECKey | RSAKey] = {
    "RS256": rsa_key("p-rsa"),
    "ES384": ec_key("p-384"),
    "ES256": ec_key("p-256", curve="P-256"),
}


@dataclass
class Issuer:
    """What it knows and what it was asked. `claims` and `header` change an ID token, `make` replaces it whole."""

    now_s: Callable[[], float]
    port: int = 0
    subject: str = "sub-1"
    algorithm: str = "RS256"
    claims: dict[str, Any] = field(default_factory=dict)
    header: dict[str, Any] = field(default_factory=dict)
    make: Callable[[dict[str, Any], dict[str, Any]], str] | None = None
    document: dict[str, Any] = field(default_factory=dict)
    token_answer: bytes | None = None
    client_key: ECKey | None = None
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def discovery(self) -> dict[str, Any]:
        found = {
            "issuer": self.url,
            "authorization_endpoint": f"{self.url}/authorize?realm=sleep",
            "token_endpoint": f"{self.url}/token",
            "jwks_uri": f"{self.url}/jwks",
            "code_challenge_methods_supported": ["plain", "S256"],
            **self.document,
        }
        return {k: v for k, v in found.items() if v is not None}

    def authorize(self, address: str, **changes: str) -> str:
        """The person lets it happen at the provider: the path and query to which the browser is sent back."""
        asked = dict(parse_qsl(urlsplit(address).query, strict_parsing=True))
        assert (asked["response_type"], asked["client_id"]) == ("code", CLIENT_ID)
        assert asked["code_challenge_method"] == "S256" and "openid" in asked["scope"].split()
        assert min(len(asked[n]) for n in ("state", "nonce", "code_challenge")) >= 43
        code = secrets.token_urlsafe(16)
        self.codes[code] = asked
        back = {"code": code, "state": asked["state"], **changes}
        return f"{urlsplit(asked['redirect_uri']).path}?{urlencode({k: v for k, v in back.items() if v})}"

    def token(self, form: dict[str, str], authorization: str) -> tuple[int, bytes]:
        """The token endpoint."""
        asked = self.codes.pop(form.get("code", ""), None)
        fault = self._fault(form, authorization, asked)
        if fault or asked is None:
            self.refused.append(fault)
            return 400, write({"error": "invalid_grant", "error_description": fault}).encode()
        if self.token_answer is not None:
            return 200, self.token_answer
        now_s = int(self.now_s())
        claims = {
            "iss": self.url,
            "sub": self.subject,
            "aud": CLIENT_ID,
            "iat": now_s,
            "exp": now_s + 300,
            "nonce": asked["nonce"],
            **self.claims,
        }
        claims = {k: v for k, v in claims.items() if v is not None}
        header = {"alg": self.algorithm, "kid": KEYS[self.algorithm].kid, **self.header}
        token = self.make(header, claims) if self.make else signed(header, claims, KEYS[self.algorithm])
        return 200, write({"access_token": "opaque", "token_type": "Bearer", "id_token": token}).encode()

    def _fault(self, form: dict[str, str], authorization: str, asked: dict[str, str] | None) -> str:
        if asked is None:
            return "no such code"
        if not self._is_client(form, authorization):
            return "client not proved"
        if form.get("grant_type") != "authorization_code" or form.get("redirect_uri") != asked["redirect_uri"]:
            return "not what was asked for"
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        challenge = base64.urlsafe_b64encode(digest).decode().rstrip("=")
        return "" if challenge == asked["code_challenge"] else "verifier does not fit"

    def _is_client(self, form: dict[str, str], authorization: str) -> bool:
        if self.client_key is not None:
            held = jws.deserialize_compact(form["client_assertion"], self.client_key, algorithms=["ES384"])
            claims = load(held.payload.decode())
            return (claims["iss"], claims["sub"], claims["aud"]) == (CLIENT_ID, CLIENT_ID, f"{self.url}/token")
        if authorization:
            pair = base64.b64decode(authorization.removeprefix("Basic ")).decode().split(":")
            return [unquote_plus(part) for part in pair] == [CLIENT_ID, SECRET]
        return (form.get("client_id"), form.get("client_secret")) == (CLIENT_ID, SECRET)


@contextmanager
def issuing(now_s: Callable[[], float]) -> Iterator[Issuer]:
    """The provider on a port of this machine."""
    held = Issuer(now_s)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            held.asked.append(self.path)
            body = public_set(*KEYS.values()) if self.path == "/jwks" else write(held.discovery()).encode()
            self._say(200, body)

        def do_POST(self) -> None:
            held.asked.append(self.path)
            form = dict(parse_qsl(self.rfile.read(int(self.headers["Content-Length"])).decode(), strict_parsing=True))
            self._say(*held.token(form, self.headers.get("Authorization", "")))

        def _say(self, status: int, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    held.port = server.server_port
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield held
    finally:
        server.shutdown()
        server.server_close()
