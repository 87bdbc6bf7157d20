"""What a client's assertion must say before it is believed.

https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html and https://www.rfc-editor.org/rfc/rfc7523
"""

from __future__ import annotations

from dataclasses import dataclass

from service.access.jose import NotTrusted, Opened, check_signature, seconds_of
from service.access.keys import CLIENT_ALGORITHMS, PublicKey

LONGEST_SECONDS = 300
SKEW_SECONDS = 5
"""How far a client's clock may be ahead when it says when the assertion was made (our own choice)."""
_LONGEST_NAME = 255


@dataclass(frozen=True, slots=True)
class Assertion:
    """A believed assertion: whose, its number, and when it ends."""

    client: str
    jti: str
    expires_at_s: float


def client_named(assertion: Opened) -> str:
    """The client that an assertion says it is of; nothing of it is proved yet."""
    issuer, subject = assertion.claims.get("iss"), assertion.claims.get("sub")
    if not isinstance(issuer, str) or issuer != subject or not 0 < len(issuer) <= _LONGEST_NAME:
        raise NotTrusted("iss and sub must both be the client id.")
    return issuer


def check_form(assertion: Opened) -> None:
    """What the header must say, whoever it is of: algorithm, type and kid."""
    if assertion.header.get("alg") not in CLIENT_ALGORITHMS:
        raise NotTrusted("alg must be RS384 or ES384.")
    if str(assertion.header.get("typ", "")).upper() != "JWT":
        raise NotTrusted("typ must be JWT.")
    _ = assertion.kid


def names_other_keys(assertion: Opened, jwks_url: str) -> bool:
    """Whether the header names another place for keys than the client registered."""
    return "jku" in assertion.header and (not jwks_url or assertion.header["jku"] != jwks_url)


def check_assertion(assertion: Opened, key: PublicKey, token_url: str, now_s: float) -> Assertion:
    """The assertion when its signature and its claims hold. NotTrusted says what does not."""
    check_signature(assertion, key)
    claims = assertion.claims
    if claims.get("aud") not in (token_url, [token_url]):
        raise NotTrusted("aud must be the URL of the token endpoint, and nothing else.")
    expires, issued, begins = (seconds_of(claims, name) for name in ("exp", "iat", "nbf"))
    if expires is None:
        raise NotTrusted("exp is required.")
    if expires <= now_s:
        raise NotTrusted("The assertion has expired.")
    if expires > now_s + LONGEST_SECONDS:
        raise NotTrusted(f"exp is more than {LONGEST_SECONDS} seconds ahead.")
    for name, moment in (("iat", issued), ("nbf", begins)):
        if moment is not None and moment > now_s + SKEW_SECONDS:
            raise NotTrusted(f"{name} lies ahead.")
    jti = claims.get("jti")
    if not isinstance(jti, str) or not 0 < len(jti) <= _LONGEST_NAME:
        raise NotTrusted(f"jti is required, 1 to {_LONGEST_NAME} letters.")
    return Assertion(client_named(assertion), jti, expires)
