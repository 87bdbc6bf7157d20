"""Who posts to the token endpoint: a registered client that proves itself by a signed assertion, once each.

https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.access.assertion import Assertion, check_assertion, check_form, client_named, names_other_keys
from service.access.jose import NotTrusted, Opened, WrongSignature, opened
from service.access.keys import CLIENT_ALGORITHMS, PublicKey, public_keys, set_of_nobody, stand_in
from service.access.limits import Limiter
from service.pipeline.access.key_sets import KeySets
from service.store import clients
from service.store.clients import Client
from service.store.engine import Database

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_UNKNOWN = "The client is not known here, or none of its keys made this signature."
"""Said of whoever proves nothing, so that nobody learns from it which clients there are."""
_OR_JKU = " Or jku is not the JWKS URL that it registered."
_PRUNE_SECONDS = 60
_KEPT_SECONDS = 300
"""How long a used assertion is kept after it expired, as the clocks of two processes may differ."""


@dataclass(eq=False)
class Rejected(Exception):
    """A request that gets no token: an error code of RFC 6749, a sentence, a status, seconds to wait."""

    error: str
    sentence: str
    status: int = 400
    wait_s: int = 0


class Authenticator:
    """Proves clients by their assertions."""

    def __init__(self, database: Database, key_sets: KeySets, token_url: str, clock_s: Callable[[], float]) -> None:
        self._database = database
        self._key_sets = key_sets
        self._token_url = token_url
        self._clock_s = clock_s
        self._limiter = Limiter()
        self._pruned_at_s = 0.0

    def client_of(self, form: Mapping[str, str], address: str) -> Client:
        """The client that a form's assertion proves. Rejected, and slowed down, when it proves none."""
        if form.get("client_assertion_type") != ASSERTION_TYPE or not form.get("client_assertion"):
            sentence = f"client_assertion_type {ASSERTION_TYPE} and client_assertion are required."
            raise Rejected("invalid_request", sentence)
        now_s = self._clock_s()
        named, assertion = _named(form["client_assertion"])
        unheard_s = self._limiter.unheard_s(named, address, now_s)
        if unheard_s:
            raise _slowed(unheard_s)
        try:
            client = self._proved(assertion, named, form, now_s)
        except NotTrusted as reason:
            waits_s = self._limiter.failed(named, address, now_s)
            if waits_s:
                raise _slowed(waits_s) from None
            raise Rejected("invalid_client", str(reason), status=401) from None
        self._limiter.proved(named, address)
        return client

    def _proved(self, assertion: Opened | NotTrusted, named: str, form: Mapping[str, str], now_s: float) -> Client:
        if isinstance(assertion, NotTrusted):
            raise assertion
        if form.get("client_id", named) != named:
            raise NotTrusted("client_id is not that of the assertion.")
        client = self._database.read(lambda tx: clients.find(tx, named)) if named.isprintable() else None
        check_form(assertion)
        known = client if client is not None and not client.revoked else None
        key = self._key(known, assertion)
        try:
            believed = check_assertion(assertion, key or stand_in(str(assertion.header["alg"])), self._token_url, now_s)
        except WrongSignature:
            raise NotTrusted(_UNKNOWN + (_OR_JKU if "jku" in assertion.header else "")) from None
        if known is None or key is None:
            raise NotTrusted(_UNKNOWN + (_OR_JKU if "jku" in assertion.header else ""))
        if not self._used_first(believed, now_s):
            raise NotTrusted("This assertion was used before: each needs a jti of its own.")
        return known

    def _key(self, client: Client | None, assertion: Opened) -> PublicKey | None:
        """The key of a client that an assertion names; None when it has no such key, or it cannot be had now.

        For nobody's the keys of nobody are read, so that it takes as long.
        """
        if client is None:
            public_keys(set_of_nobody(str(assertion.header["alg"])))
            return None
        if names_other_keys(assertion, client.keys_url):
            return None
        if client.keys_url:
            try:
                return self._key_sets.key(client.keys_url, assertion.kid, CLIENT_ALGORITHMS)
            except NotTrusted:
                return None
        return public_keys(client.keys.encode()).get(assertion.kid) if client.keys else None

    def _used_first(self, believed: Assertion, now_s: float) -> bool:
        if now_s - self._pruned_at_s >= _PRUNE_SECONDS:
            self._pruned_at_s = now_s
            self._database.write(lambda tx: clients.prune(tx, now_s - _KEPT_SECONDS))
        return self._database.write(
            lambda tx: clients.use_assertion(tx, believed.client, believed.jti, believed.expires_at_s)
        )


def _named(text: str) -> tuple[str, Opened | NotTrusted]:
    """Whom an assertion names, and the assertion; nobody, and the reason, when it cannot be read."""
    try:
        assertion = opened(text)
        return client_named(assertion), assertion
    except NotTrusted as reason:
        return "", reason


def _slowed(wait_s: int) -> Rejected:
    return Rejected("temporarily_unavailable", "Too many assertions failed; wait before the next one.", 429, wait_s)
