"""One thing found when a sleep test is judged: what it is, whether it withholds the class, and who acts by when."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.rules.decision import Party
from service.rules.reason import Reason
from service.rules.threshold import Threshold


class Cause(StrEnum):
    """Why a class is withheld, in the order in which the first one makes the headline."""

    CENTRAL = "central"
    OXYGEN = "oxygen"
    INCONSISTENT = "inconsistent"
    UNTOLD = "untold"
    INVALID = "invalid"
    COMBINATION = "combination"
    NOT_COMPARABLE = "not-comparable"
    BASELINE = "baseline"


class Weight(StrEnum):
    """How much a finding weighs: it is only said, somebody is asked, or somebody must act within days."""

    NOTE = "note"
    QUESTION = "question"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True)
class Finding:
    """A finding by name, in a sentence. `cause` is set when it withholds the class.

    `party` is who is asked or acts; `days` how soon, 0 for the same day, None without a limit.
    """

    name: str
    sentence: Reason
    weight: Weight = Weight.NOTE
    cause: Cause | None = None
    party: Party = Party.NOBODY
    days: int | None = None
    thresholds: tuple[Threshold, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """The finding as JSON-ready data."""
        return {
            "name": self.name,
            "sentence": self.sentence,
            "reason": self.sentence.as_data(),
            "weight": self.weight.value,
            "withholds_for": self.cause.value if self.cause else None,
            "party": self.party.value,
            "within_days": self.days,
        }


def question(name: str, sentence: Reason, *thresholds: Threshold, party: Party = Party.SLEEP_LAB) -> Finding:
    """Something that is asked of a party, by default of the laboratory, and withholds nothing."""
    return Finding(name, sentence, Weight.QUESTION, party=party, thresholds=thresholds)


def untold(name: str, sentence: Reason, *thresholds: Threshold) -> Finding:
    """Something that the laboratory has to tell before a class is given."""
    return Finding(name, sentence, Weight.QUESTION, Cause.UNTOLD, Party.SLEEP_LAB, thresholds=thresholds)


def invalid(name: str, sentence: Reason, *thresholds: Threshold) -> Finding:
    """Why a test says nothing of the appliance: it is repeated."""
    return Finding(name, sentence, Weight.QUESTION, Cause.INVALID, Party.PHYSICIAN, thresholds=thresholds)
