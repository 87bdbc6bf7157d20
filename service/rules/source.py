"""Where a fact was read from, and when it took effect."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, order=True)
class Source:
    """The resource version a fact was read from, e.g. `Observation/0192`, version 1."""

    reference: str
    version: int


@dataclass(frozen=True, slots=True, order=True)
class Moment:
    """When a fact took effect: a calendar day, and the local time of day (`HH:MM:SS`) when known."""

    day: date
    clock: str = ""
