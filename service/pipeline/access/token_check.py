"""Whether an access token holds, and what it grants. Made once per token; afterwards a look into memory.

What was revoked is read anew at most every two seconds, so that it is refused soon in every process.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from service.access.grant import Grant, Office
from service.access.jose import NotTrusted, Opened, check_signature, opened, seconds_of
from service.access.keys import ISSUER_ALGORITHMS, PublicKey
from service.access.scopes import granted, system_scopes
from service.access.signing import TOKEN_TYPE, KeyFileError, KeyRing
from service.pipeline.access.key_sets import KeySets
from service.store import clients
from service.store.clients import Client, Withdrawn
from service.store.engine import Database

REFRESH_SECONDS = 2.0
_MOST_KEPT = 10_000
_SKEW_SECONDS = 5
_log = logging.getLogger("airway_relay")
_INVALID = "The access token is not valid: it has expired, was revoked, or is not one of this service."


@dataclass(frozen=True, slots=True)
class Place:
    """By whom tokens are made, what they are for, and where clients get them."""

    issuer: str
    audience: str
    token_url: str


class Issuer(Protocol):
    """Whoever makes the tokens that are taken here."""

    def key(self, token: Opened) -> PublicKey | None:
        """The key that a token says it was signed with; None when there is none of that name."""
        ...

    def refresh(self) -> None:
        """Take note of changed keys."""
        ...


@dataclass(frozen=True, slots=True)
class OwnIssuer:
    """This service itself."""

    ring: KeyRing

    def key(self, token: Opened) -> PublicKey | None:
        """One of the service's own keys; only for tokens marked as access tokens."""
        return self.ring.key(token.kid) if token.header.get("typ") == TOKEN_TYPE else None

    def refresh(self) -> None:
        """Read the key file again when it has changed; the keys stay as they are when it cannot be used any more."""
        try:
            self.ring.refresh()
        except KeyFileError:
            _log.error("the key file cannot be used any more; tokens go on with the keys read before")


@dataclass(frozen=True, slots=True)
class OtherIssuer:
    """Another authorisation server, whose keys are kept at a URL."""

    keys_url: str
    key_sets: KeySets

    def key(self, token: Opened) -> PublicKey | None:
        """One of its keys."""
        return self.key_sets.key(self.keys_url, token.kid, ISSUER_ALGORITHMS)

    def refresh(self) -> None:
        """Nothing: its keys are fetched when one is not known."""


@dataclass(frozen=True, slots=True)
class HeldGrant:
    """A token that holds: what it grants, its number, until when."""

    grant: Grant
    jti: str
    expires_at_s: float


class TokenCheck:
    """Checks access tokens. One per process; safe to share between threads."""

    def __init__(self, database: Database, place: Place, issuer: Issuer, clock_s: Callable[[], float]) -> None:
        self._database = database
        self._place = place
        self._issuer = issuer
        self._clock_s = clock_s
        self._held: dict[str, HeldGrant] = {}
        self._withdrawn = Withdrawn()
        self._refreshed_at_s = float("-inf")
        self._lock = threading.Lock()

    @property
    def is_stale(self) -> bool:
        """Whether what was revoked must be read anew before a token is believed."""
        return not 0 <= self._clock_s() - self._refreshed_at_s < REFRESH_SECONDS

    def refresh_if_stale(self) -> None:
        """Read what was revoked, unless another thread has just done so."""
        with self._lock:
            if self.is_stale:
                self._refresh()

    def refresh(self) -> None:
        """Read what was revoked, now."""
        with self._lock:
            self._refresh()

    def _refresh(self) -> None:
        now_s = self._clock_s()
        self._issuer.refresh()
        self._withdrawn = self._database.read(lambda tx: clients.withdrawn(tx, now_s))
        self._refreshed_at_s = now_s

    def known(self, token: str) -> Grant | None:
        """What a token grants that was checked before and still holds; None for any other."""
        held = self._held.get(token)
        return held.grant if held is not None and self._holds(held) else None

    def verified(self, token: str) -> HeldGrant:
        """What a token is worth, from its signature on. NotTrusted when it is worth nothing."""
        self.refresh_if_stale()
        held = self._held.get(token) or self._checked(token)
        if not self._holds(held):
            raise NotTrusted(_INVALID)
        with self._lock:
            while len(self._held) >= _MOST_KEPT:
                del self._held[next(iter(self._held))]
            self._held[token] = held
        return held

    def _holds(self, held: HeldGrant) -> bool:
        withdrawn = self._withdrawn
        return (
            held.expires_at_s > self._clock_s()
            and held.jti not in withdrawn.tokens
            and held.grant.client not in withdrawn.clients
        )

    def _checked(self, token: str) -> HeldGrant:
        try:
            found = opened(token)
            key = self._issuer.key(found)
            if key is None:
                raise NotTrusted(_INVALID)
            check_signature(found, key)
            self._check_claims(found.claims)
        except NotTrusted:
            raise NotTrusted(_INVALID) from None
        return self._granted(found.claims)

    def _check_claims(self, claims: dict[str, Any]) -> None:
        audience = claims.get("aud")
        audiences = audience if isinstance(audience, list) else [audience]
        if claims.get("iss") != self._place.issuer or self._place.audience not in audiences:
            raise NotTrusted(_INVALID)
        now_s = self._clock_s()
        expires, issued, begins = (seconds_of(claims, name) for name in ("exp", "iat", "nbf"))
        if expires is None or expires <= now_s:
            raise NotTrusted(_INVALID)
        if any(moment is not None and moment > now_s + _SKEW_SECONDS for moment in (issued, begins)):
            raise NotTrusted(_INVALID)

    def _granted(self, claims: dict[str, Any]) -> HeldGrant:
        """What the client of the token may do: what the token says, and no more than it is registered for."""
        named = next((claims[n] for n in ("client_id", "azp", "sub") if n in claims), None)
        client = self._client(named) if isinstance(named, str) else None
        scope, jti = claims.get("scope", ""), claims.get("jti", "")
        if client is None or client.revoked or not isinstance(scope, str) or not isinstance(jti, str):
            raise NotTrusted(_INVALID)
        scopes = granted(system_scopes(scope.split()), system_scopes(client.scopes.split()))
        offices = frozenset(Office(office) for office in client.offices.split())
        grant = Grant(client.id, offices, client.organisation, scopes)
        return HeldGrant(grant, jti, seconds_of(claims, "exp") or 0.0)

    def _client(self, name: str) -> Client | None:
        return self._database.read(lambda tx: clients.find(tx, name)) if name.isprintable() else None
