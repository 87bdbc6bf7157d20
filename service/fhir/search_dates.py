"""Dates as ranges: the implicit range of a date, and the range a resource's date covers.

https://hl7.org/fhir/R4/search.html#date. A date without an offset is read as UTC, in the index and in a search alike.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

from service.fhir.json_parts import is_object

FIRST, LAST = "0001-01-01T00:00:00.000000", "9999-12-31T23:59:59.999999"
_PATTERN = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII
)


def range_of(text: str) -> tuple[str, str]:
    """First moment of a date and the first one after it, as UTC text that sorts. ValueError when it is no date."""
    found = _PATTERN.fullmatch(text)
    if not found:
        raise ValueError("a date such as 2026, 2026-10, 2026-10-04 or 2026-10-04T21:30:00+02:00 is needed")
    year, month, day, hour, minute, second, fraction, offset = found.groups()
    micro = int((fraction or "0")[:6].ljust(6, "0"))
    try:
        start = datetime(
            int(year), int(month or 1), int(day or 1), int(hour or 0), int(minute or 0), int(second or 0), micro
        )
    except ValueError:
        raise ValueError("this is no day of the calendar or no time of day") from None
    if month is None:
        return _text(start), _text(_month_after(start, 12))
    if day is None:
        return _text(start), _text(_month_after(start, 1))
    shift = _offset(offset)
    if hour is None:
        step = timedelta(days=1)
    elif second is None:
        step = timedelta(minutes=1)
    elif fraction is None:
        step = timedelta(seconds=1)
    else:
        step = timedelta(microseconds=max(1, 10 ** (6 - len(fraction)) if len(fraction) < 6 else 1))
    return _text(start, -shift), _text(start, step - shift)


def range_of_element(held: Any) -> tuple[str, str] | None:
    """The range a date, dateTime, instant, Period or Timing covers; None when it tells none. An open end is endless."""
    if isinstance(held, str):
        try:
            return range_of(held)
        except ValueError:
            return None
    if not is_object(held):
        return None
    if "event" in held or "repeat" in held:
        return _of_timing(held)
    start, end = range_of_element(held.get("start")), range_of_element(held.get("end"))
    if start is None and end is None:
        return None
    first, after = start[0] if start else FIRST, end[1] if end else LAST
    return (first, after) if first < after else None


def _of_timing(timing: dict[str, Any]) -> tuple[str, str] | None:
    repeat = timing.get("repeat")
    bounds = range_of_element(repeat.get("boundsPeriod")) if is_object(repeat) else None
    ranges = [r for r in (bounds, *map(range_of_element, timing.get("event") or [])) if r]
    return (min(r[0] for r in ranges), max(r[1] for r in ranges)) if ranges else None


def around(start: str, end: str, now: datetime) -> tuple[str, str]:
    """The range widened by a tenth of its distance from now, for the prefix `ap`."""
    first, after, moment = (_moment(t) for t in (start, end, now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")))
    gap = max(first - moment, moment - after, timedelta()) / 10
    return _text(first, -gap), _text(after, gap)


def _month_after(start: datetime, months: int) -> datetime:
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    return datetime(year, month + 1, 1) if year <= 9999 else datetime.max


def _offset(text: str | None) -> timedelta:
    if text is None or text == "Z":
        return timedelta()
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 14 or minutes > 59:
        raise ValueError("an offset from UTC lies between -14:00 and +14:00")
    return timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1)


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%f")


def _text(moment: datetime, by: timedelta = timedelta()) -> str:
    try:
        return (moment + by).isoformat(timespec="microseconds")
    except OverflowError:
        return LAST if by > timedelta() else FIRST
