"""What a case holds and no decision counts: results that are not final, and a patient's record that is out of use.

Waiting for a final result is common practice, no source; what `preliminary` and `registered` mean:
https://hl7.org/fhir/R4/valueset-observation-status.html
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from service.rules.decision import Criterion, Decision, Status
from service.rules.reason import Reason, say
from service.rules.source import Source

NAME, TITLE = "all-results-counted", "All results counted"
_OF_A_TEST = ("baseline test", "efficacy test", "measure of a sleep test")


@dataclass(frozen=True, slots=True)
class NotCounted:
    """A resource that is kept and not counted: what it tells, of which day if that is told, and for which status."""

    source: Source
    what: str
    status: str
    day: date | None = None

    @property
    def words(self) -> Reason:
        """What is not counted, and why."""
        if self.day is None:
            return say("not-counted.one", what=self.what, status=self.status)
        return say("not-counted.one-of-a-day", what=self.what, on=self.day, status=self.status)

    @property
    def is_of_a_test(self) -> bool:
        """Whether it is a sleep test or one of its measures."""
        return self.what in _OF_A_TEST


def _in_order(items: Sequence[NotCounted]) -> list[NotCounted]:
    return sorted(items, key=lambda item: (item.day or date.min, item.what, item.status, item.source))


def sentence_of(items: Sequence[NotCounted]) -> Reason | None:
    """One sentence that names everything that was not counted, and why; None when everything was."""
    if not items:
        return None
    return say("not-counted.all", what=tuple(dict.fromkeys(item.words for item in _in_order(items))))


def with_not_counted(decision: Decision, items: Sequence[NotCounted]) -> Decision:
    """The decision, with what it did not count as its last criterion; it changes no outcome."""
    sentence = sentence_of(items)
    if sentence is None:
        return decision
    inputs = tuple(sorted({item.source for item in items}))
    told = Criterion(NAME, TITLE, Status.ATTENTION, sentence, inputs=inputs, caution=True)
    return replace(decision, criteria=(*decision.criteria, told))
