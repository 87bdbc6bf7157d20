"""Signing in by an OpenID Connect provider: Authorization Code flow with PKCE, state and nonce.

https://openid.net/specs/openid-connect-core-1_0.html#CodeFlowAuth, https://www.rfc-editor.org/rfc/rfc7636 and
https://openid.net/specs/openid-connect-discovery-1_0.html. State, nonce and verifier are made of one secret that only the
browser holds which began, so that nothing is kept here for whoever merely begins.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import urlencode

from service.access.client_proof import Proof
from service.access.id_token import ID_TOKEN_ALGORITHMS, Awaited, check_form, subject_of
from service.access.jose import NotTrusted, opened
from service.errors import Refused
from service.fhir.json_text import parse
from service.outbound.addresses import target_of
from service.outbound.fetch import Fetched, Fetcher
from service.pipeline.access.key_sets import KeySets
from service.store import clients
from service.store.engine import Database

BEGUN_SECONDS = 600
"""How long a sign-in may take from its beginning to the provider's answer."""
_FRESH_SECONDS, _AGAIN_SECONDS, _ASK_SECONDS = 3600, 5, 5.0
_TURN_SECONDS = 2.0
"""How long one request waits while another asks the provider, so that a slow provider holds no other request up."""
_log = logging.getLogger("airway_relay")


class Poster(Fetcher, Protocol):
    """Whatever can fetch documents and post forms."""

    def post(self, url: str, fields: Mapping[str, str], headers: Mapping[str, str], seconds: float) -> Fetched:
        """Post a form; never raises."""
        ...


class Proving(Protocol):
    """Whatever proves this service to the provider."""

    def proof(self, client_id: str, token_url: str, now_s: float, methods: list[str]) -> Proof:
        """What goes with a token request; `methods` are those that the provider takes."""
        ...


@dataclass(frozen=True, slots=True)
class RelyingParty:
    """This service as a client of the provider."""

    issuer: str
    client_id: str
    scopes: str
    redirect_uri: str
    proving: Proving


@dataclass(frozen=True, slots=True)
class _Provider:
    authorization_url: str
    token_url: str
    keys_url: str
    methods: list[str]
    names_itself: bool


class Unreachable(Exception):
    """The provider cannot be asked now, or says of itself what cannot be used; the sentence names no secret."""


class OpenId:
    """Sign-ins by one provider. One per process; safe to share between threads."""

    def __init__(self, database: Database, poster: Poster, client: RelyingParty, clock_s: Callable[[], float]) -> None:
        self._database = database
        self._poster = poster
        self._client = client
        self._clock_s = clock_s
        self._key_sets = KeySets(poster, clock_s)
        self._provider: _Provider | None = None
        self._asked_at_s = float("-inf")
        self._lock = threading.Lock()

    @property
    def issuer(self) -> str:
        """Who says who somebody is."""
        return self._client.issuer

    def begin(self, secret: str) -> str:
        """The provider's address that a browser with this secret goes to. Unreachable when it cannot be known."""
        provider = self._discovered()
        challenge = _base64(hashlib.sha256(_part(secret, "verifier").encode()).digest())
        query = {
            "response_type": "code",
            "client_id": self._client.client_id,
            "redirect_uri": self._client.redirect_uri,
            "scope": self._client.scopes,
            "state": _part(secret, "state"),
            "nonce": _part(secret, "nonce"),
            "code_challenge": challenge,
            "code_challenge_method": "S256",
        }
        joint = "&" if "?" in provider.authorization_url else "?"
        return f"{provider.authorization_url}{joint}{urlencode(query)}"

    def subject(self, secret: str, answer: Mapping[str, str]) -> str:
        """Who has signed in, by the provider's answer to what the browser with this secret began.

        NotTrusted says why the answer is not believed; it is taken once. Unreachable when the provider cannot be asked.
        """
        state = _part(secret, "state") if secret else ""
        if not state or not hmac.compare_digest(state.encode(), answer.get("state", "").encode()):
            raise NotTrusted("This answer does not belong to a sign-in that began in this browser.")
        provider, now_s = self._discovered(), self._clock_s()
        if answer.get("iss", "" if provider.names_itself else self.issuer) != self.issuer:
            raise NotTrusted("This answer is of another sign-in service.")
        if not self._database.write(lambda tx: clients.use_assertion(tx, "sign-in", state, now_s + BEGUN_SECONDS)):
            raise NotTrusted("This answer was used before.")
        if answer.get("error") or not answer.get("code"):
            raise NotTrusted("The sign-in service let nobody in.")
        return self._subject(provider, self._id_token(provider, answer["code"], secret), _part(secret, "nonce"))

    def _id_token(self, provider: _Provider, code: str, secret: str) -> str:
        proof = self._client.proving.proof(
            self._client.client_id, provider.token_url, self._clock_s(), provider.methods
        )
        fields = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self._client.redirect_uri,
            "code_verifier": _part(secret, "verifier"),
            **proof.fields,
        }
        fetched = self._poster.post(provider.token_url, fields, proof.headers, _ASK_SECONDS)
        if fetched.failure:
            _log.warning("the sign-in service gave no token: %s", fetched.failure)
            raise NotTrusted("The sign-in service did not confirm this sign-in.")
        token = _document(fetched.body).get("id_token")
        if not isinstance(token, str):
            raise NotTrusted("The sign-in service sent no ID token.")
        return token

    def _subject(self, provider: _Provider, token: str, nonce: str) -> str:
        try:
            found = opened(token)
            check_form(found)
            key = self._key_sets.key(provider.keys_url, found.kid, ID_TOKEN_ALGORITHMS)
            if key is None:
                raise NotTrusted("its key is not among those of the issuer.")
            awaited = Awaited(self.issuer, self._client.client_id, nonce)
            return subject_of(found, key, awaited, self._clock_s())
        except NotTrusted as reason:
            _log.warning("an ID token was refused: %s", reason)
            raise NotTrusted("What the sign-in service sent cannot be believed.") from None

    def _discovered(self) -> _Provider:
        """What the provider says of itself; asked again after an hour, and what was known stays when that fails."""
        if self._lock.acquire(timeout=_TURN_SECONDS):
            try:
                self._discover_if_due()
            finally:
                self._lock.release()
        if self._provider is None:
            raise Unreachable("The sign-in service cannot be reached, or is not set up for this; try again shortly.")
        return self._provider

    def _discover_if_due(self) -> None:
        now_s = self._clock_s()
        waited_s = now_s - self._asked_at_s
        if waited_s < (_AGAIN_SECONDS if self._provider is None else _FRESH_SECONDS):
            return
        self._asked_at_s = now_s
        fetched = self._poster.fetch(f"{self.issuer.rstrip('/')}/.well-known/openid-configuration", _ASK_SECONDS)
        fault = fetched.failure or self._take(_document(fetched.body))
        if fault:
            _log.error("the sign-in service cannot be used: %s", fault)

    def _take(self, document: Mapping[str, Any]) -> str:
        """Take what the provider says of itself; why not, empty when it is taken."""
        if document.get("issuer") != self.issuer:
            return "its issuer is not the one configured."
        names = ("authorization_endpoint", "token_endpoint", "jwks_uri")
        authorization, token, keys = (str(document.get(name, "")) for name in names)
        for name, url in zip(names[1:], (token, keys), strict=True):
            if self._poster.why_not(url):
                return f"{name} is not on a host that AIRWAY_RELAY_JWKS_HOSTS lists."
        target = target_of(authorization)
        if target is None or (target.scheme != "https" and not target.is_loopback):
            return "authorization_endpoint is not an https URL."
        if "S256" not in document.get("code_challenge_methods_supported", ["S256"]):
            return "it does not know PKCE with S256."
        methods = document.get("token_endpoint_auth_methods_supported", [])
        names_itself = document.get("authorization_response_iss_parameter_supported") is True
        self._provider = _Provider(
            authorization, token, keys, methods if isinstance(methods, list) else [], names_itself
        )
        return ""


def _part(secret: str, name: str) -> str:
    """One of the values that are made of a browser's secret; none of them tells the secret or another."""
    return _base64(hmac.digest(secret.encode(), name.encode(), "sha256"))


def _base64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _document(body: bytes) -> Mapping[str, Any]:
    try:
        return parse(body)
    except Refused:
        return {}
