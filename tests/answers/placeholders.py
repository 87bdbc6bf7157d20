"""What differs from run to run in an answer, replaced by names that do not: ids, case numbers, hashes, secrets.

Versions and times stay as they are: the clock of a recording stands still, so that they are part of the answer.
"""

from __future__ import annotations

import base64
import binascii
import re

from service import __version__

_ID = re.compile(
    r'(?:(?P<kind>[A-Z][A-Za-z]+)/|"resourceType": ?"(?P<own>[A-Z][A-Za-z]+)", ?"id": ?")?'
    r"(?P<id>[0-9a-f]{8}-[0-9a-f]{4}-[47][0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12})"
)
_PAGE = re.compile(r"(?<=_page=)[A-Za-z0-9_-]{10,}")
_FORM = re.compile(r"page-[0-9a-f]{24}")
_CASE = re.compile(r"AR-[0-9A-HJKMNP-TV-Z]{5}-[0-9A-HJKMNP-TV-Z]{5}")
_DOCUMENT = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
_DIGEST = re.compile(r"(?<=-)[0-9a-f]{32}(?![0-9a-f])")
_INPUTS = re.compile(r"(?<=inputs )[0-9a-f]{16}")
_NEVER_MADE = "AR-00000-00000"
_HASH = re.compile(r"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")
_BASE64 = re.compile(
    r'(?<=")(?:[A-Za-z0-9+/]{20,}|[A-Za-z0-9_-]{20,})={0,2}(?=")|(?<=/)[A-Za-z0-9_-]{43}(?![A-Za-z0-9_-])'
)
_DIGEST_BYTES = (16, 20, 32, 64)


class Placeholders:
    """Names given in the order in which things are first seen, counted for each kind by itself."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}
        self._counts: dict[str, int] = {}

    def __call__(self, text: str) -> str:
        """A text with every such value replaced."""
        text = text.replace(f'"{__version__}"', '"release"')
        text = _PAGE.sub(lambda m: self._name("page", m[0]), text)
        text = _BASE64.sub(lambda m: self._encoded(m[0]), text)
        text = _ID.sub(self._id, text)
        text = _CASE.sub(lambda m: m[0] if m[0] == _NEVER_MADE else self._name("case", m[0]), text)
        for kind, pattern in (("document", _DOCUMENT), ("digest", _DIGEST), ("inputs", _INPUTS)):
            text = pattern.sub(lambda m, kind=kind: self._name(kind, m[0]), text)
        text = _FORM.sub(lambda m: self._name("form", m[0]), text)
        return _HASH.sub(lambda m: self._name("hash", m[0]), text)

    def _name(self, kind: str, value: str) -> str:
        if value not in self._names:
            self._counts[kind] = self._counts.get(kind, 0) + 1
            self._names[value] = f"{kind}#{self._counts[kind]}"
        return self._names[value]

    def _id(self, found: re.Match[str]) -> str:
        before = found[0].removesuffix(found["id"])
        return before + self._name(found["kind"] or found["own"] or "id", found["id"])

    def _encoded(self, text: str) -> str:
        """What is encoded in base64 holds ids when it is text; a digest or a secret has a name of its own."""
        try:
            raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_" if set("-_") & set(text) else None)
        except (binascii.Error, ValueError):
            return text
        if raw.isascii() and raw.decode("ascii").isprintable():
            return f"base64({self(raw.decode())})"
        return self._name("secret", text) if len(raw) in _DIGEST_BYTES and _is_mixed(text) else text


def _is_mixed(text: str) -> bool:
    """Digits and capitals beside small letters: a code in words has not all three."""
    return all(re.search(letters, text) for letters in ("[0-9]", "[A-Z]", "[a-z]"))
