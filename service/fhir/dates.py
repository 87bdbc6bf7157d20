"""FHIR dates and dateTimes as moments of the rules (https://hl7.org/fhir/R4/datatypes.html#dateTime)."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

from service.rules.facts import Moment

_SKEW = timedelta(minutes=5)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_DATE_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})")


def moment_of(text: object) -> Moment:
    """The moment of a FHIR date or dateTime, in its own local time. ValueError when coarser than a day."""
    if isinstance(text, str):
        if _DATE.fullmatch(text):
            return Moment(date.fromisoformat(text))
        if _DATE_TIME.fullmatch(text):
            when = datetime.fromisoformat(text)
            return Moment(when.date(), when.strftime("%H:%M:%S"))
    raise ValueError("a full date such as 2026-10-04 or a time with offset such as 2026-10-04T21:30:00+02:00 is needed")


def is_future(text: str, today: date, now: datetime) -> bool:
    """Whether a date lies after `today`, or a dateTime after `now` (5 minutes of clock skew allowed)."""
    if _DATE_TIME.fullmatch(text):
        return datetime.fromisoformat(text) > now + _SKEW
    return date.fromisoformat(text) > today


def instant(when: datetime) -> str:
    """A FHIR instant in UTC with milliseconds, e.g. `2026-10-04T09:30:00.123Z`."""
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
