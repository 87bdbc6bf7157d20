"""The primitive datatypes of R4: JSON type, form and range (https://hl7.org/fhir/R4/datatypes.html#primitive)."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

_TEXT, _WHOLE, _NUMBER = "Text is needed.", "A whole number is needed.", "A number is needed."
_BOOLEAN = "Either true or false is needed."
OF_JSON = frozenset((_TEXT, _WHOLE, _NUMBER, _BOOLEAN))
"""The faults that are of the JSON type, not of the value."""
_FORMS = {
    "date": "A date is needed, such as 2026-10-04.",
    "dateTime": "A date or a time with offset is needed, such as 2026-10-04 or 2026-10-04T21:30:00+02:00.",
    "instant": "A time with offset is needed, such as 2026-10-04T21:30:00+02:00.",
    "time": "A time of day is needed, such as 21:30:00.",
    "positiveInt": "A whole number from 1 to 2147483647 is needed.",
    "unsignedInt": "A whole number from 0 to 2147483647 is needed.",
    "integer": "A whole number of at most 32 bits is needed.",
    "oid": "An OID is needed, such as urn:oid:1.2.3.",
    "uuid": "A UUID is needed, such as urn:uuid:c757873d-ec9a-4326-a141-556f43239520.",
    "base64Binary": "Text in base64 is needed.",
}
_NO_FORM = "The text does not have the form this element must have."
_LARGEST = 2**31 - 1
_LONGEST = 1024 * 1024
_DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)")
_DATES = ("date", "dateTime", "instant")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:.*", re.DOTALL)
_BASE64 = re.compile(r"([0-9a-zA-Z+/]{4})*([0-9a-zA-Z+/]{4}|[0-9a-zA-Z+/]{2}==|[0-9a-zA-Z+/]{3}=)")
_CODE = re.compile(r"[^\s]+( [^\s]+)*", re.ASCII)
"""Stricter than the forms of R4 as the reference validator is: whole groups of four, spaces only, three arcs."""
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9][0-9]*)){2,}")
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


@dataclass(frozen=True, slots=True)
class Primitive:
    """One primitive datatype; `fault` is the sentence about a value that it cannot hold, empty when it can."""

    name: str
    fault: Callable[[Any], str]


def primitive(name: str, form: str) -> Primitive:
    """The datatype `name`, whose text has the regular expression `form` of its definition."""
    if name == "boolean":
        return Primitive(name, lambda value: "" if isinstance(value, bool) else _BOOLEAN)
    if name in ("integer", "positiveInt", "unsignedInt"):
        lowest = {"integer": -_LARGEST - 1, "positiveInt": 1, "unsignedInt": 0}[name]
        return Primitive(name, lambda value: _whole(value, lowest, _FORMS[name]))
    if name == "decimal":
        return Primitive(name, _decimal)
    matches = re.compile(form, re.ASCII).fullmatch if form else None
    sentence = _FORMS.get(name, _NO_FORM)
    if name in _DATES:
        return Primitive(name, lambda value: _moment(value, matches, sentence))
    if name in ("uri", "url", "canonical"):
        return Primitive(name, lambda value: _address(value, matches, name == "canonical"))
    if name == "base64Binary":
        matches = _BASE64.fullmatch
    if name == "oid":
        matches = _OID.fullmatch
    if name == "code":
        matches = _CODE.fullmatch
    return Primitive(name, lambda value: _text(value, matches, sentence))


def absolute(uri: str) -> bool:
    """Whether a URI names its scheme."""
    return _ABSOLUTE.fullmatch(uri) is not None


def _whole(value: Any, lowest: int, sentence: str) -> str:
    if not isinstance(value, int) or isinstance(value, bool):
        return _WHOLE
    return "" if lowest <= value <= _LARGEST else sentence


def _decimal(value: Any) -> str:
    return "" if isinstance(value, int | Decimal | float) and not isinstance(value, bool) else _NUMBER


def _text(value: Any, matches: Callable[[str], Any] | None, sentence: str) -> str:
    if not isinstance(value, str):
        return _TEXT
    if len(value) > _LONGEST:
        return "The text is longer than a mebibyte."
    return sentence if matches is not None and not matches(value) else ""


def _moment(value: Any, matches: Callable[[str], Any] | None, sentence: str) -> str:
    if not isinstance(value, str):
        return _TEXT
    if matches is not None and not matches(value):
        return sentence
    day = _DAY.match(value)
    if day:
        try:
            date(int(day[1]), int(day[2]), int(day[3]))
        except ValueError:
            return "A day of the calendar is needed, such as 2026-10-04."
    return ""


def _address(value: Any, matches: Callable[[str], Any] | None, is_canonical: bool) -> str:
    fault = _text(value, matches, "An address holds no white space.")
    if fault:
        return fault
    if value.startswith("urn:oid:") and not _OID.fullmatch(value):
        return _FORMS["oid"]
    if value.startswith("urn:uuid:") and not _UUID.fullmatch(value):
        return _FORMS["uuid"]
    if is_canonical and not absolute(value) and value[:1] != "#":
        return f"«{value[:60]}» is not an absolute address, such as https://a.example/b."
    return ""
