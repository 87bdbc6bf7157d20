"""The ends of the audit chains as one signed text, to be kept where the database's keeper cannot reach it.

A compact JWS with ES384: https://www.rfc-editor.org/rfc/rfc7515 and https://www.rfc-editor.org/rfc/rfc7518
"""

from __future__ import annotations

import json
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import ECKey

ALGORITHM = "ES384"
_CURVE = "P-384"
_TYPE = "airway-relay-audit-head+jws"


class NotUsable(ValueError):
    """A key or a signed head that cannot be used, in one plain line."""


def key_of(text: str) -> ECKey:
    """A key of the curve P-384 from PEM or from a JSON Web Key. NotUsable when it is none."""
    try:
        key = ECKey.import_key(json.loads(text) if text.lstrip().startswith("{") else text)
    except (JoseError, ValueError, TypeError, KeyError):
        raise NotUsable("this is no elliptic curve key as PEM or JSON Web Key") from None
    if key.curve_name != _CURVE:
        raise NotUsable(f"the key must be of the curve {_CURVE}")
    return key


def public_part(key: ECKey) -> str:
    """The public key as a JSON Web Key with its thumbprint as `kid`, to check signed heads with."""
    public = key.as_dict(private=False)
    return json.dumps({**public, "kid": key.thumbprint(), "use": "sig", "alg": ALGORITHM}, sort_keys=True)


def sign(head: dict[str, Any], key: ECKey) -> str:
    """The signed text of a head. NotUsable when the key is a public one."""
    if not key.is_private:
        raise NotUsable("signing needs the private key")
    header = {"alg": ALGORITHM, "kid": key.thumbprint(), "typ": _TYPE}
    return jws.serialize_compact(header, json.dumps(head, sort_keys=True), key, algorithms=[ALGORITHM])


def read_signed(text: str, key: ECKey) -> dict[str, Any]:
    """The head in a signed text. NotUsable when the key did not sign it as it stands."""
    try:
        held = jws.deserialize_compact(text.strip(), key, algorithms=[ALGORITHM])
        if held.headers().get("typ") != _TYPE:
            raise NotUsable("this is no signed head of an audit chain")
        return json.loads(held.payload)
    except (JoseError, ValueError, TypeError):
        raise NotUsable("the signature is not of this key, or the head was changed") from None
