"""Where a fact was read from, and when it took effect: tuples, since they are compared and sorted all the time."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple


class Source(NamedTuple):
    """The resource version a fact was read from, e.g. `Observation/0192`, version 1."""

    reference: str
    version: int


class Moment(NamedTuple):
    """When a fact took effect: a calendar day, and the local time of day (`HH:MM:SS`) when known."""

    day: date
    clock: str = ""
