"""Signed tokens in compact form, read strictly: one header, one signature, keys that are ours to choose.

https://www.rfc-editor.org/rfc/rfc7515 and the advice of https://www.rfc-editor.org/rfc/rfc8725
"""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError

from service.access.keys import PublicKey
from service.errors import Refused
from service.fhir.json_text import parse

LONGEST = 8192
_COMPACT = re.compile(r"([A-Za-z0-9_-]+)\.([A-Za-z0-9_-]+)\.([A-Za-z0-9_-]+)")


class NotTrusted(Exception):
    """A token or assertion that is not believed; the sentence holds nothing of it."""


class _Registry(jws.JWSRegistry):
    max_header_length = LONGEST


@dataclass(frozen=True, slots=True)
class Opened:
    """A token in its parts, of which nothing is proved yet."""

    text: str
    header: dict[str, Any]
    claims: dict[str, Any]

    @property
    def kid(self) -> str:
        """Which key the token says it was signed with. NotTrusted when it does not say so."""
        kid = self.header.get("kid")
        if not isinstance(kid, str) or not kid:
            raise NotTrusted("The header names no key: kid is required.")
        return kid


def opened(text: str) -> Opened:
    """A token in its parts. NotTrusted when it is not one, or asks for extensions that nobody here knows."""
    found = _COMPACT.fullmatch(text) if len(text) <= LONGEST else None
    if found is None:
        raise NotTrusted("This is not a signed token in compact form.")
    try:
        header, claims = parse(_bytes_of(found[1])), parse(_bytes_of(found[2]))
    except (Refused, binascii.Error):
        raise NotTrusted("The header or the claims are not a JSON object.") from None
    if "crit" in header or "b64" in header:
        raise NotTrusted("The header asks for an extension that is not known here.")
    return Opened(text, header, claims)


class WrongSignature(NotTrusted):
    """A signature that the key did not make, or not by its algorithm."""


def check_signature(token: Opened, key: PublicKey) -> None:
    """WrongSignature unless the key made the signature, by an algorithm of that key."""
    if token.header.get("alg") not in key.algorithms:
        raise WrongSignature(f"The signature must be made with {' or '.join(key.algorithms)} for this key.")
    registry = _Registry(algorithms=key.algorithms, strict_check_header=False)
    try:
        jws.deserialize_compact(token.text, key.key, registry=registry)
    except (JoseError, ValueError, TypeError):
        raise WrongSignature("The signature does not fit the key.") from None


def seconds_of(claims: dict[str, Any], name: str) -> float | None:
    """A claim in seconds since 1970; None without it. NotTrusted when it is no number."""
    value = claims.get(name)
    if name not in claims:
        return None
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value < 10**12:
        raise NotTrusted(f"{name} is a number of seconds since 1970.")
    return float(value)


def _bytes_of(segment: str) -> bytes:
    return base64.urlsafe_b64decode(segment + "=" * (-len(segment) % 4))
