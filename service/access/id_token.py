"""What an ID token must say before it is believed who has signed in.

https://openid.net/specs/openid-connect-core-1_0.html#IDTokenValidation
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from typing import Any

from service.access.jose import NotTrusted, Opened, check_signature, seconds_of
from service.access.keys import PublicKey

ID_TOKEN_ALGORITHMS = ("RS256", "RS384", "ES256", "ES384")
SKEW_SECONDS = 60
"""How far the provider's clock may be from ours, and how old a token may be when it arrives (our own choice)."""
OLDEST_SECONDS = 600


@dataclass(frozen=True, slots=True)
class Awaited:
    """What the token must be: by whom, for whom, and of which sign-in."""

    issuer: str
    client_id: str
    nonce: str


def check_form(token: Opened) -> None:
    """What the header must say, whatever the key: an algorithm of the list, and no other kind of token."""
    if token.header.get("alg") not in ID_TOKEN_ALGORITHMS:
        raise NotTrusted(f"alg must be one of {', '.join(ID_TOKEN_ALGORITHMS)}.")
    if str(token.header.get("typ", "JWT")).upper() != "JWT":
        raise NotTrusted("typ must be JWT.")
    _ = token.kid


def subject_of(token: Opened, key: PublicKey, awaited: Awaited, now_s: float) -> str:
    """Who has signed in, when signature and claims hold. NotTrusted says what does not."""
    check_signature(token, key)
    claims = token.claims
    if claims.get("iss") != awaited.issuer:
        raise NotTrusted("iss is not the configured issuer.")
    _check_audience(claims, awaited.client_id)
    expires, issued, begins = (seconds_of(claims, name) for name in ("exp", "iat", "nbf"))
    if expires is None or expires + SKEW_SECONDS <= now_s:
        raise NotTrusted("exp is missing or past.")
    if issued is None or not now_s - OLDEST_SECONDS <= issued <= now_s + SKEW_SECONDS:
        raise NotTrusted("iat is missing, long past, or ahead.")
    if begins is not None and begins > now_s + SKEW_SECONDS:
        raise NotTrusted("nbf lies ahead.")
    nonce = claims.get("nonce")
    if not isinstance(nonce, str) or not hmac.compare_digest(nonce.encode(), awaited.nonce.encode()):
        raise NotTrusted("nonce is not that of this sign-in.")
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 0 < len(subject) <= 255 or not subject.isprintable():
        raise NotTrusted("sub is missing or cannot be used.")
    return subject


def _check_audience(claims: dict[str, Any], client_id: str) -> None:
    """For this client; when for others too, made for this client as `azp` tells."""
    audience, party = claims.get("aud"), claims.get("azp")
    audiences = audience if isinstance(audience, list) else [audience]
    if client_id not in audiences:
        raise NotTrusted("aud is not this client.")
    if party != client_id and (party is not None or len(audiences) > 1):
        raise NotTrusted("azp is not this client.")
