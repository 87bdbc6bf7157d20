"""Telephone numbers: how one is written, and where an organisation tells its own."""

from __future__ import annotations

import re

from service.fhir.build import Resource
from service.fhir.json_parts import objects_in

PATTERN = r"^\+?[0-9(][0-9 ()/.-]{3,28}[0-9]$"
"""Digits with blanks, brackets, slashes, dots and hyphens between them, and perhaps a plus sign first."""


def is_telephone(text: object) -> bool:
    """Whether a text is a telephone number as it can be printed and called."""
    return isinstance(text, str) and re.fullmatch(PATTERN, text) is not None


def telecom(number: str) -> list[Resource]:
    """A number as contact points of an organisation."""
    return [{"system": "phone", "value": number, "use": "work"}]


def telephone_of(organisation: Resource) -> str:
    """The first telephone number an organisation tells; empty when it tells none that can be called."""
    for one in objects_in(organisation.get("telecom")):
        if one.get("system") == "phone" and one.get("use") != "old" and is_telephone(one.get("value")):
            return str(one["value"])
    return ""


def address_of(number: str) -> str:
    """A number as an address that a telephone calls (RFC 3966): its digits, with the plus sign if there is one."""
    return "tel:" + re.sub(r"[^0-9+]", "", number)
