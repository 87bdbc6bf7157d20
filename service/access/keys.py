"""Public keys of clients and of other issuers, from a JSON Web Key Set. Private parts are never taken.

https://www.rfc-editor.org/rfc/rfc7517 and https://hl7.org/fhir/smart-app-launch/STU2.2/client-confidential-asymmetric.html
"""

from __future__ import annotations

import base64
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.errors import Category, Problem, Refused
from service.fhir.json_text import parse, write

CLIENT_ALGORITHMS = ("RS384", "ES384")
"""What clients may sign their assertions with."""
ISSUER_ALGORITHMS = ("RS256", "RS384", "RS512", "ES256", "ES384")
"""What another authorisation server may sign its tokens with."""
MOST_KEYS = 20
_LEAST_BITS, _MOST_BITS = 2048, 8192
_CURVES = {"P-256": "ES256", "P-384": "ES384"}
_NOBODY = "nobody"
_PRIVATE = ("d", "p", "q", "dp", "dq", "qi", "oth", "k")
_LONGEST_KID = 255


@dataclass(frozen=True, slots=True)
class PublicKey:
    """A public key, what it is called, and the algorithms whose signatures it may check."""

    kid: str
    algorithms: tuple[str, ...]
    key: RSAKey | ECKey


def public_keys(text: bytes, algorithms: Sequence[str] = CLIENT_ALGORITHMS) -> dict[str, PublicKey]:
    """The keys of a set by their kid. Refused with every problem of every key."""
    found: dict[str, PublicKey] = {}
    problems: list[Problem] = []
    for index, jwk in enumerate(_members(text)):
        key, faults = _judged(jwk, f"keys[{index}]", algorithms)
        if key is not None and key.kid in found:
            faults.append(_fault("This kid stands twice; each key needs its own.", f"keys[{index}].kid"))
        problems.extend(faults)
        if key is not None:
            found[key.kid] = key
    if problems:
        raise Refused(problems)
    return found


def usable_keys(text: bytes, algorithms: Sequence[str]) -> dict[str, PublicKey]:
    """The keys of a set kept by others: those that do not fit are left out, and so is a kid that stands twice."""
    judged = [_judged(jwk, "", algorithms)[0] for jwk in _members(text)]
    keys = [key for key in judged if key is not None]
    kids = [key.kid for key in keys]
    return {key.kid: key for key in keys if kids.count(key.kid) == 1}


def _members(text: bytes) -> list[Any]:
    keys = parse(text).get("keys")
    if not isinstance(keys, list) or not 0 < len(keys) <= MOST_KEYS:
        raise Refused(_fault(f"A JSON Web Key Set with 1 to {MOST_KEYS} keys is needed.", "keys"))
    return keys


def _judged(jwk: Any, path: str, algorithms: Sequence[str]) -> tuple[PublicKey | None, list[Problem]]:
    """The key, None when it does not fit, with the reasons."""
    if not isinstance(jwk, dict):
        return None, [_fault("A key is an object.", path)]
    private = [name for name in _PRIVATE if name in jwk]
    if private:
        sentence = "This is a private or secret key; register its public part alone, and take it for known from now on."
        return None, [_fault(sentence, f"{path}.{private[0]}")]
    faults: list[Problem] = []
    kid = jwk.get("kid")
    if not isinstance(kid, str) or not 0 < len(kid) <= _LONGEST_KID:
        faults.append(_fault(f"A kid of 1 to {_LONGEST_KID} letters is needed.", f"{path}.kid"))
    if jwk.get("use", "sig") != "sig":
        faults.append(_fault("The key is not for signatures (use is sig).", f"{path}.use"))
    if "key_ops" in jwk and (not isinstance(jwk["key_ops"], list) or "verify" not in jwk["key_ops"]):
        faults.append(_fault("The key is not for checking signatures (key_ops has verify).", f"{path}.key_ops"))
    key, fits = _imported(jwk, path, algorithms, faults)
    if key is not None and jwk.get("alg") is not None:
        if jwk["alg"] not in fits:
            faults.append(_fault(f"alg is {' or '.join(fits)} for this key.", f"{path}.alg"))
        fits = (jwk["alg"],)
    if faults or key is None:
        return None, faults
    return PublicKey(str(kid), fits, key), []


def _imported(
    jwk: dict[str, Any], path: str, algorithms: Sequence[str], faults: list[Problem]
) -> tuple[RSAKey | ECKey | None, tuple[str, ...]]:
    """The key itself and the algorithms it fits; None, with a fault, when there is none of them."""
    kind = jwk.get("kty")
    try:
        if kind == "RSA":
            rsa = RSAKey.import_key({"kty": "RSA", "n": jwk["n"], "e": jwk["e"]})
            bits = rsa.public_key.key_size
            if not _LEAST_BITS <= bits <= _MOST_BITS:
                sentence = f"An RSA key of {_LEAST_BITS} to {_MOST_BITS} bits is needed; this one has {bits}."
                faults.append(_fault(sentence, f"{path}.n"))
                return None, ()
            return rsa, tuple(a for a in algorithms if a.startswith("RS"))
        fits = tuple(a for curve, a in _CURVES.items() if curve == jwk.get("crv") and a in algorithms)
        if kind == "EC" and fits:
            return ECKey.import_key({"kty": "EC", "crv": jwk["crv"], "x": jwk["x"], "y": jwk["y"]}), fits
    except (JoseError, ValueError, TypeError, KeyError):
        faults.append(_fault("The members of this key do not make a key.", path))
        return None, ()
    curves = " or ".join(curve for curve, a in _CURVES.items() if a in algorithms)
    faults.append(
        _fault(f"An RSA key, or an EC key on {curves}, is needed.", f"{path}.{'crv' if kind == 'EC' else 'kty'}")
    )
    return None, ()


def _fault(sentence: str, path: str) -> Problem:
    return Problem(Category.INVALID, sentence, path)


@cache
def set_of_nobody(algorithm: str) -> bytes:
    """A set with one key for an algorithm that is nobody's."""
    if algorithm.startswith("ES"):
        jwk = dict(ECKey.generate_key(f"P-{algorithm[2:]}").as_dict(private=False))
    else:
        modulus = (int.from_bytes(os.urandom(256)) | 1 | 1 << 2047).to_bytes(256)
        jwk = {"kty": "RSA", "n": base64.urlsafe_b64encode(modulus).decode().rstrip("="), "e": "AQAB"}
    return write({"keys": [{**jwk, "kid": _NOBODY}]}).encode()


@cache
def stand_in(algorithm: str) -> PublicKey:
    """A key that made no signature, so that checking one of nobody's takes as long as checking one of somebody's."""
    return public_keys(set_of_nobody(algorithm))[_NOBODY]
