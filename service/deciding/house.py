"""What of an installation a plan depends on, and the occasion on which it is made."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

from service.ids import RANDOM_BITS, case_number_of, id_of
from service.rules.site import Site
from service.rules.source import Source

NewId = Callable[[], str]
"""Gives ids, each once."""


@dataclass(frozen=True, slots=True)
class House:
    """The site with its thresholds, the version of the rules' Device that stands for them, and the operator's policy."""

    site: Site
    engine: Source
    refuses_unknown_offices: bool = False


@dataclass(frozen=True, slots=True)
class Occasion:
    """When a plan is made: the moment (with its zone), today at the site, and random bytes for the ids it gives."""

    moment: datetime
    today: date
    entropy: bytes

    def ids(self, purpose: str = "") -> NewId:
        """Time-ordered ids, the same ones in the same order for the same occasion and purpose."""
        count, milliseconds = 0, int(self.moment.timestamp() * 1000)

        def new_id() -> str:
            nonlocal count
            count += 1
            # counted in the bits behind the time (RFC 9562, 6.2): ids of one plan ascend in the order they are given
            drawn = self._drawn(f"{purpose} {count}", RANDOM_BITS) & ((1 << 62) - 1)
            return id_of(milliseconds, (count & 0xFFF) << 62 | drawn)

        return new_id

    def case_number(self) -> str:
        """The number of the case that is opened on this occasion."""
        return case_number_of(self._drawn("case number", 45))

    def _drawn(self, what: str, bits: int) -> int:
        return int.from_bytes(hashlib.sha256(self.entropy + what.encode()).digest()) >> (256 - bits)
