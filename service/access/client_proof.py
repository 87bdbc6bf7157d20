"""How this service proves itself to a sign-in provider's token endpoint: by a secret, or by an assertion that it signs.

https://openid.net/specs/openid-connect-core-1_0.html#ClientAuthentication
"""

from __future__ import annotations

import base64
import json
import secrets
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote_plus

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.fhir.json_text import write

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ASSERTION_SECONDS = 60
_EC_ALGORITHMS = {"P-256": "ES256", "P-384": "ES384"}


class ProofError(ValueError):
    """A secret or key that cannot be used, in one plain line."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What goes with a token request: headers, and fields of the form."""

    headers: dict[str, str]
    fields: dict[str, str]


class SecretProof:
    """A client secret from a file. ProofError when the file cannot be read or holds none."""

    def __init__(self, path: Path) -> None:
        self._secret = _text(path)

    def proof(self, client_id: str, token_url: str, now_s: float, methods: list[str]) -> Proof:
        """The secret in a header, or in the form where the provider takes it nowhere else."""
        if "client_secret_basic" not in methods and "client_secret_post" in methods:
            return Proof({}, {"client_id": client_id, "client_secret": self._secret})
        pair = f"{quote_plus(client_id)}:{quote_plus(self._secret)}".encode()
        return Proof({"Authorization": f"Basic {base64.b64encode(pair).decode()}"}, {})


class KeyProof:
    """A private key from a file, as PEM or JSON Web Key. ProofError when the file holds none that fits."""

    def __init__(self, path: Path) -> None:
        self._key, self._algorithm = _key(path)

    def proof(self, client_id: str, token_url: str, now_s: float, methods: list[str]) -> Proof:
        """An assertion of one minute for this token endpoint alone."""
        header = {"alg": self._algorithm, "kid": self._key.kid or self._key.thumbprint(), "typ": "JWT"}
        claims = {
            "iss": client_id,
            "sub": client_id,
            "aud": token_url,
            "iat": int(now_s),
            "exp": int(now_s) + _ASSERTION_SECONDS,
            "jti": secrets.token_urlsafe(24),
        }
        assertion = jws.serialize_compact(header, write(claims), self._key, algorithms=[self._algorithm])
        fields = {"client_id": client_id, "client_assertion_type": ASSERTION_TYPE, "client_assertion": assertion}
        return Proof({}, fields)


def _text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        raise ProofError(f"{path}: this file cannot be read.") from None
    if not text:
        raise ProofError(f"{path}: this file is empty.")
    return text


def _key(path: Path) -> tuple[ECKey | RSAKey, str]:
    text = _text(path)
    for kind in (ECKey, RSAKey):
        try:
            key = kind.import_key(json.loads(text) if text.startswith("{") else text)
        except (JoseError, ValueError, TypeError, KeyError):
            continue
        algorithm = _EC_ALGORITHMS.get(key.curve_name, "") if isinstance(key, ECKey) else "RS384"
        if key.is_private and algorithm:
            return key, algorithm
    raise ProofError(f"{path}: this is no private RSA key or EC key on P-256 or P-384, as PEM or JSON Web Key.")
