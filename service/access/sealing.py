"""Secrets of others, sealed for the database under a key that is kept outside of it (AES-256-GCM, NIST SP 800-38D).

What a seal is `about` is bound to it: moved to another row of the database, it cannot be opened.
"""

from __future__ import annotations

import base64
import os
import threading
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from service.access.private_files import KeyFileError, put_if_missing, read_own
from service.errors import Refused
from service.fhir.json_text import parse, write_pretty

_MARK = "sealed.1."
_NONCE_BYTES = 12
_ABOUT = (
    "The key under which Airway Relay seals the secrets of subscribers in its database. Whoever can read this file and "
    "the database can read them: keep it to the service alone (mode 0600), and away from copies of the database."
)


class NotOpened(ValueError):
    """A seal that cannot be opened: made under another key, about something else, or changed."""


class Seal:
    """Seals and opens texts under the key of a file, which is made when it is first needed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._cipher: AESGCM | None = None
        self._lock = threading.Lock()

    def sealed(self, text: str, about: str) -> str:
        """The text sealed. KeyFileError when there is no key and none can be made."""
        nonce = os.urandom(_NONCE_BYTES)
        made = self._with_key(make=True).encrypt(nonce, text.encode(), about.encode())
        return _MARK + base64.urlsafe_b64encode(nonce + made).decode()

    def opened(self, sealed: str, about: str) -> str:
        """What was sealed. NotOpened when this key does not open it; KeyFileError without a usable key file."""
        try:
            held = base64.urlsafe_b64decode(sealed.removeprefix(_MARK).encode())
            cipher = self._with_key(make=False)
            return cipher.decrypt(held[:_NONCE_BYTES], held[_NONCE_BYTES:], about.encode()).decode()
        except (InvalidTag, ValueError) as error:
            if isinstance(error, KeyFileError):
                raise
            raise NotOpened("this key does not open it") from None

    def _with_key(self, make: bool) -> AESGCM:
        with self._lock:
            if self._cipher is None:
                if make:
                    key = base64.b64encode(AESGCM.generate_key(256)).decode()
                    put_if_missing(self._path, write_pretty({"about": _ABOUT, "key": key}))
                self._cipher = _cipher_of(self._path)
            return self._cipher


def is_sealed(text: str) -> bool:
    """Whether a text of the database is sealed."""
    return text.startswith(_MARK)


def _cipher_of(path: Path) -> AESGCM:
    try:
        return AESGCM(base64.b64decode(parse(read_own(path))["key"], validate=True))
    except KeyFileError:
        raise
    except (Refused, ValueError, TypeError, KeyError):
        raise KeyFileError(f"{path}: this is not a file with a sealing key of this service.") from None
