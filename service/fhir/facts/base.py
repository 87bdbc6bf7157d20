"""What every kind of fact has in common."""

from __future__ import annotations

from datetime import date

from msgspec import Struct

from service.rules.source import Moment


class FactOfAKind(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=False, tag_field="kind"):
    """What all kinds have in common: they are frozen, and what was not reported is not in the text."""


class TimedFact(FactOfAKind, frozen=True, kw_only=True):
    """A fact of a moment: its day, and the local time of day (`HH:MM:SS`) when known."""

    day: date
    clock: str = ""

    @property
    def moment(self) -> Moment:
        """When the fact took effect."""
        return Moment(self.day, self.clock)
