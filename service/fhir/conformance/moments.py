"""Order of FHIR dates and times, as FHIRPath sees it (http://hl7.org/fhirpath/N1/#comparison)."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from decimal import Decimal

_MOMENT = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d(?:\.\d+)?))?(Z|[+-]\d\d:\d\d)?)?)?)?")


def is_moment(text: str) -> bool:
    """Whether text is a date, whole or in part, or a date with a time."""
    return _MOMENT.fullmatch(text) is not None


def compare(first: str, second: str) -> int | None:
    """-1, 0 or 1 as `first` is before, at or after `second`; None when that cannot be told."""
    one, other = _parts(first), _parts(second)
    if one is None or other is None:
        raise ValueError("not a date or time")
    for a, b in zip(one, other, strict=False):
        if a != b:
            return -1 if a < b else 1
    return 0 if len(one) == len(other) else None


def _parts(text: str) -> list[Decimal] | None:
    """Year, month, day, hour, minute, second as far as they are known; times in UTC."""
    found = _MOMENT.fullmatch(text)
    if not found:
        return None
    known = [Decimal(part) for part in found.groups()[:6] if part is not None]
    if found[4] is None or found[7] in (None, "Z"):
        return known
    shift = timedelta(hours=int(found[7][1:3]), minutes=int(found[7][4:6]))
    year, month, day, hour, minute = (int(n) for n in known[:5])
    at = datetime(year, month, day, hour, minute)
    moved = at - shift if found[7][0] == "+" else at + shift
    return [Decimal(n) for n in (moved.year, moved.month, moved.day, moved.hour, moved.minute)] + known[5:]
