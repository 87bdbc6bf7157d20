"""A patient's record that closes the patient's cases: of one who has died, not in use, or replaced by another.

https://hl7.org/fhir/R4/patient.html: `deceased[x]`, `active` and `link` change the meaning of the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.rules.reason import Reason, say
from service.rules.source import Source


class OutOfCare(StrEnum):
    """Why nothing is asked of a patient any more, the gravest first."""

    DIED = "died"
    REPLACED = "replaced"
    INACTIVE = "inactive"


@dataclass(frozen=True, slots=True)
class ClosingRecord:
    """A patient's record that closes the case; `told_on` is the day of its present version, `died_on` that of death."""

    source: Source
    why: OutOfCare
    told_on: date
    died_on: date | None = None

    @property
    def words(self) -> Reason:
        """What the record says, and what follows."""
        if self.why is OutOfCare.DIED and self.died_on:
            return say("ended.patient-died-on", on=self.died_on)
        return say(f"ended.patient-{self.why.value}")

    def since(self, as_of: date) -> date:
        """The day from which the case counts as closed."""
        return min(self.died_on or self.told_on, as_of)


def closing(records: Sequence[ClosingRecord]) -> ClosingRecord | None:
    """The record that closes a case; None while none does."""
    return min(records, key=lambda r: (list(OutOfCare).index(r.why), r.source), default=None)
