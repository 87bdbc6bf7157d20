"""One number the rules compare with: value, unit, permitted range, how well it is supported, and its source."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.rules.words import number


class Mark(StrEnum):
    """How well a threshold is supported; shown wherever the threshold is."""

    PUBLISHED = "published"
    QUOTED = "quoted"
    MEMORY = "from memory"
    POLICY = "policy"
    PRACTICE = "common practice"

    @property
    def meaning(self) -> str:
        """The mark in a sentence's words."""
        return _MEANINGS[self]


_MEANINGS = {
    Mark.PUBLISHED: "read in the source named",
    Mark.QUOTED: "read in a page quoting the source",
    Mark.MEMORY: "from memory, not verified",
    Mark.POLICY: "our default, no published value found",
    Mark.PRACTICE: "common practice, no source",
}


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number: its value and permitted range in `unit` (UCUM), its mark, source and meaning."""

    value: Decimal
    unit: str
    low: Decimal
    high: Decimal
    mark: Mark
    source: str
    meaning: str
    name: str = ""
    default: Decimal | None = None

    @property
    def set_by_site(self) -> bool:
        """Whether a site replaced the default, which is then kept in `default`."""
        return self.default is not None

    @property
    def whole(self) -> bool:
        """Whether only whole values make sense: days, nights, years and numbers of things counted."""
        return self.unit in _WHOLE_UNITS

    @property
    def cited(self) -> str:
        """The source as it stands in a sentence: a citation when published, else what the mark means.

        A value set by a site is no longer the source's: it is called the site's, with the default beside it.
        """
        if self.mark is Mark.QUOTED:
            support = f"{self.source}, read in a page quoting it"
        else:
            support = self.source if self.mark is Mark.PUBLISHED else self.mark.meaning
        if self.default is None:
            return support
        return f"set by this site; default {with_unit(self.default, self.unit)} ({support})"


_WHOLE_UNITS = ("d", "a", "{check-ins}", "{teeth}", "{events}", "{totals}", "{settings}", "{letters}")
_SPOKEN_UNITS = {
    **{"1": "", "{score}": "", "{teeth}": "teeth", "{check-ins}": "check-ins", "{events}": "events"},
    **{"{totals}": "totals", "{settings}": "settings", "{letters}": "letters"},
    **{"{events}/h": "events/h", "a": "years", "mm/a": "mm a year"},
}


def with_unit(value: Decimal, unit: str) -> str:
    """A value with its UCUM unit as a clinician reads it: `14 d`, `5 events/h`, `0.7`."""
    return f"{number(value)} {_SPOKEN_UNITS.get(unit, unit)}".strip()


NONE_FOUND = "none found"
"""The source of a threshold for which no published value was found."""


def threshold(value: str, unit: str, low: str, high: str, mark: Mark, source: str, meaning: str) -> Threshold:
    """A threshold from numbers as text; its name is that of the field it stands in."""
    return Threshold(Decimal(value), unit, Decimal(low), Decimal(high), mark, source, meaning)
