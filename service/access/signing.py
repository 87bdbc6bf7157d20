"""The service's own signing keys, in a file that nobody else can read; the newest signs, the others still verify.

Access tokens are signed with ES384 and marked as such: https://www.rfc-editor.org/rfc/rfc9068
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import ECKey

from service.access.keys import PublicKey
from service.access.private_files import KeyFileError, put_if_missing, read_own, written_aside
from service.errors import Refused
from service.fhir.json_text import parse, write, write_pretty

TOKEN_SECONDS = 300
TOKEN_TYPE = "at+jwt"
ALGORITHM = "ES384"
_KEPT_SECONDS = 2 * TOKEN_SECONDS
_ABOUT = (
    "Signing keys of the access tokens of Airway Relay, newest first. Whoever can read this file can make tokens: keep "
    "it to the service alone (mode 0600). Change keys with: airway-relay key rotate."
)


@dataclass(frozen=True, slots=True)
class _Held:
    kid: str
    made_at_s: float
    key: ECKey


class KeyRing:
    """The keys of a file; read again when the file changes."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._stamp: tuple[int, ...] = ()
        self._held: list[_Held] = []
        self._public: dict[str, PublicKey] = {}
        self.refresh()

    def refresh(self) -> None:
        """Read the file again when it has changed. KeyFileError when it cannot be used."""
        with self._lock:
            stamp = _stamp(self._path)
            if stamp != self._stamp:
                held = _read(self._path)
                self._public = {h.kid: PublicKey(h.kid, (ALGORITHM,), _public_part(h.key)) for h in held}
                self._held, self._stamp = held, stamp

    def sign(self, claims: dict[str, Any]) -> str:
        """Claims as a token signed with the newest key."""
        newest = self._held[0]
        header = {"alg": ALGORITHM, "kid": newest.kid, "typ": TOKEN_TYPE}
        return jws.serialize_compact(header, write(claims), newest.key, algorithms=[ALGORITHM])

    def key(self, kid: str) -> PublicKey | None:
        """The key of that name; the file is looked at again for a name that is new."""
        if kid not in self._public:
            with contextlib.suppress(KeyFileError):
                self.refresh()
        return self._public.get(kid)


def make_if_missing(path: Path, now_s: float) -> bool:
    """Make a key file unless there is one; whether it was made. Two processes at once make one."""
    return put_if_missing(path, _text_of([_new(now_s)]))


def rotate(path: Path, now_s: float) -> str:
    """Put a new key first; the kid of it. Keys whose tokens have all expired are dropped."""
    held = _read(path)
    replaced_at_s = now_s
    kept: list[_Held] = []
    for one in held:
        if now_s - replaced_at_s <= _KEPT_SECONDS:
            kept.append(one)
        replaced_at_s = one.made_at_s
    new = _new(now_s)
    try:
        written_aside(path, _text_of([new, *kept])).replace(path)
    except OSError as error:
        raise KeyFileError(f"{path}: {error.strerror}") from None
    return new.kid


def _new(now_s: float) -> _Held:
    return _Held(secrets.token_hex(8), now_s, ECKey.generate_key("P-384"))


def _public_part(key: ECKey) -> ECKey:
    return ECKey.import_key(dict(key.as_dict(private=False)))


def _text_of(held: list[_Held]) -> str:
    keys = [{**h.key.as_dict(private=True), "kid": h.kid, "made_at_s": int(h.made_at_s)} for h in held]
    return write_pretty({"about": _ABOUT, "keys": keys})


def _stamp(path: Path) -> tuple[int, ...]:
    with contextlib.suppress(OSError):
        found = path.stat()
        return found.st_mtime_ns, found.st_ino, found.st_size, found.st_mode
    raise KeyFileError(f"{path}: there is no key file.")


def _read(path: Path) -> list[_Held]:
    text = read_own(path)
    try:
        held = [
            _Held(
                str(jwk["kid"]),
                float(jwk["made_at_s"]),
                ECKey.import_key({n: jwk[n] for n in ("kty", "crv", "x", "y", "d")}),
            )
            for jwk in parse(text)["keys"]
        ]
    except (Refused, JoseError, ValueError, TypeError, KeyError, AttributeError):
        held = []
    if not held or any(h.key.curve_name != "P-384" for h in held):
        raise KeyFileError(f"{path}: this is not a key file of this service.")
    return held
