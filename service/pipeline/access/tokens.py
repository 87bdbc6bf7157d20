"""Access tokens: made for what a client asks and may, told about, taken back.

https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html, RFC 6749, RFC 7662 and RFC 7009.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.access.jose import NotTrusted
from service.access.scopes import granted, system_scopes, text_of
from service.access.signing import TOKEN_SECONDS, KeyRing
from service.pipeline.access.authenticate import Authenticator, Rejected
from service.pipeline.access.token_check import Place, TokenCheck
from service.store import clients
from service.store.clients import Client
from service.store.engine import Database

_GRANT = "client_credentials"
_LONGEST_SCOPE = 4000


@dataclass(frozen=True, slots=True)
class Issued:
    """A token as it is answered, the client it was made for, and the scopes it grants."""

    client: Client
    scope: str
    told: dict[str, Any]


class Tokens:
    """The token endpoint and its neighbours."""

    def __init__(
        self,
        database: Database,
        authenticator: Authenticator,
        ring: KeyRing,
        check: TokenCheck,
        place: Place,
        clock_s: Callable[[], float],
    ) -> None:
        self._database = database
        self._authenticator = authenticator
        self._ring = ring
        self._check = check
        self._place = place
        self._clock_s = clock_s

    def issue(self, form: Mapping[str, str], address: str) -> Issued:
        """A token for the client that proves itself, of the scopes it asks for and may have."""
        if "grant_type" not in form:
            raise Rejected("invalid_request", f"grant_type is required: {_GRANT}.")
        if form["grant_type"] != _GRANT:
            raise Rejected("unsupported_grant_type", f"grant_type must be {_GRANT}.")
        client = self._authenticator.client_of(form, address)
        asked = form.get("scope", "")
        if len(asked) > _LONGEST_SCOPE:
            raise Rejected("invalid_scope", f"scope is longer than {_LONGEST_SCOPE} letters.")
        scopes = granted(system_scopes(asked.split()), system_scopes(client.scopes.split()))
        if not scopes:
            raise Rejected("invalid_scope", "scope names nothing that this client is registered for.")
        now_s = int(self._clock_s())
        scope = " ".join(text_of(one) for one in scopes)
        claims = {
            "iss": self._place.issuer,
            "aud": self._place.audience,
            "sub": client.id,
            "client_id": client.id,
            "scope": scope,
            "iat": now_s,
            "exp": now_s + TOKEN_SECONDS,
            "jti": secrets.token_hex(16),
        }
        token = self._ring.sign(claims)
        told = {"access_token": token, "token_type": "bearer", "expires_in": TOKEN_SECONDS, "scope": scope}
        return Issued(client, scope, told)

    def introspect(self, form: Mapping[str, str], address: str) -> dict[str, Any]:
        """What a token of the asking client is worth now; `active` alone when nothing, or when it is another's."""
        client = self._authenticator.client_of(form, address)
        try:
            held = self._check.verified(_token(form))
        except NotTrusted:
            return {"active": False}
        if held.grant.client != client.id:
            return {"active": False}
        return {
            "active": True,
            "scope": " ".join(text_of(scope) for scope in held.grant.scopes),
            "client_id": client.id,
            "sub": client.id,
            "token_type": "bearer",
            "iss": self._place.issuer,
            "aud": self._place.audience,
            "exp": int(held.expires_at_s),
            "iat": int(held.expires_at_s) - TOKEN_SECONDS,
            "jti": held.jti,
        }

    def revoke(self, form: Mapping[str, str], address: str) -> None:
        """Take a token of the asking client back. What is worth nothing, or is another's, is answered alike and stays."""
        client = self._authenticator.client_of(form, address)
        try:
            held = self._check.verified(_token(form))
        except NotTrusted:
            return
        if held.grant.client != client.id:
            return
        self._database.write(lambda tx: clients.revoke_token(tx, held.jti, held.expires_at_s))
        self._check.refresh()


def _token(form: Mapping[str, str]) -> str:
    if not form.get("token"):
        raise Rejected("invalid_request", "token is required.")
    return form["token"]
