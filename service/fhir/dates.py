"""FHIR dates and dateTimes as moments of the rules (https://hl7.org/fhir/R4/datatypes.html#dateTime)."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

from service.rules.source import Moment

_SKEW = timedelta(minutes=5)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_DATE_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})"
)


_FIRST, _LAST = date(1900, 1, 1), date(2199, 12, 31)


def moment_of(text: object) -> Moment:
    """The moment of a FHIR date or dateTime, in its own local time. ValueError when coarser than a day."""
    if isinstance(text, str):
        if _DATE.fullmatch(text):
            return Moment(day_of(text))
        if _DATE_TIME.fullmatch(text):
            day = day_of(text[:10])
            try:
                when = datetime.fromisoformat(text)
                when.astimezone(UTC)
            except ValueError:
                raise ValueError(f"«{text}» is not a time of day with an offset from UTC") from None
            return Moment(day, when.strftime("%H:%M:%S"))
    raise ValueError("a full date such as 2026-10-04 or a time with offset such as 2026-10-04T21:30:00+02:00 is needed")


def day_of(text: str) -> date:
    """The day of a full date between 1900 and 2199. ValueError with a sentence otherwise."""
    if not _DATE.fullmatch(text):
        raise ValueError(f"«{text[:40]}» is not a date such as 2026-10-04")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"«{text}» is not a day of the calendar") from None
    if not _FIRST <= day <= _LAST:
        raise ValueError(f"«{text}» does not lie between 1900 and 2199")
    return day


def is_future(text: str, today: date, now: datetime) -> bool:
    """Whether a date lies after `today`, or a dateTime after `now` (5 minutes of clock skew allowed)."""
    if _DATE_TIME.fullmatch(text):
        return datetime.fromisoformat(text) > now + _SKEW
    return date.fromisoformat(text) > today


def instant_after(when: datetime, before: str) -> str:
    """The instant of `when`, or the first one after the instant `before` if that is later."""
    if not before:
        return instant(when)
    return instant(max(when, datetime.fromisoformat(before) + timedelta(milliseconds=1)))


def instant(when: datetime) -> str:
    """A FHIR instant in UTC with milliseconds, e.g. `2026-10-04T09:30:00.123Z`."""
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
