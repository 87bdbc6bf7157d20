"""What a rule answers: an outcome and its reasons as data, so that API, page and audit say the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any

from service.rules.reason import reason_data
from service.rules.source import Source
from service.rules.thresholds import Threshold


class Status(StrEnum):
    """How one criterion came out. `attention` is a caution to weigh, which blocks nothing."""

    MET = "met"
    UNMET = "unmet"
    UNKNOWN = "unknown"
    ATTENTION = "attention"


class Readiness(StrEnum):
    """Outcomes of the readiness rule. `ready` means ready to be tested, never treated."""

    STOP_AND_REVIEW = "stop-and-review"
    ORDERED = "ordered"
    RESULT_IN = "result-in"
    DECIDED = "decided"
    ASK_PHYSICIAN = "ask-physician"
    CANNOT_SAY = "cannot-say"
    READY = "ready"
    READY_AT_LIMIT = "ready-at-limit"
    NOT_YET = "not-yet"


class Step(StrEnum):
    """The next titration step."""

    ADVANCE = "advance"
    HOLD = "hold"
    STEP_BACK = "step-back"
    REQUEST_TEST = "request-test"
    DENTIST_REVIEW = "dentist-review"
    PHYSICIAN_REVIEW = "physician-review"


class ResponseClass(StrEnum):
    """How treatment responded, by the fall from the baseline index; withheld where the test cannot tell."""

    COMPLETE = "complete"
    PARTIAL = "partial"
    NON_RESPONSE = "non-response"
    WITHHELD = "withheld"


class Party(StrEnum):
    """Whose move it is."""

    PHYSICIAN = "physician"
    DENTIST = "dentist"
    PATIENT = "patient"
    SLEEP_LAB = "sleep lab"
    NOBODY = "nobody"


@dataclass(frozen=True, slots=True)
class Measured:
    """A value as measured, with its UCUM unit."""

    value: Decimal
    unit: str


@dataclass(frozen=True, slots=True)
class Criterion:
    """One reason: how it came out, in one sentence, with value, thresholds, inputs and what is missing.

    `earliest` is the first day it could be met if nothing else changes; None when it is met, or when
    somebody has to act first (`needs` says who and what). `cites` is a source beside those of the thresholds. A `caution` asks for nothing: it is clear, or to be weighed.
    """

    name: str
    title: str
    status: Status
    sentence: str
    observed: tuple[Measured, ...] = ()
    thresholds: tuple[Threshold, ...] = ()
    inputs: tuple[Source, ...] = ()
    earliest: date | None = None
    needs: str = ""
    missing: str = ""
    caution: bool = False
    cites: str = ""

    @property
    def standing(self) -> str:
        """How it came out, in the words people read."""
        return "clear" if self.caution and self.status is Status.MET else _STANDING[self.status]


_STANDING = {
    Status.MET: "met",
    Status.UNMET: "not met",
    Status.UNKNOWN: "not known",
    Status.ATTENTION: "needs attention",
}


def cautions(*criteria: Criterion) -> tuple[Criterion, ...]:
    """The criteria as cautions."""
    return tuple(replace(c, caution=True) for c in criteria)


@dataclass(frozen=True, slots=True)
class Decision:
    """An outcome of one rule, at one version, for one day, with everything it rests on.

    `read_besides` and `compared_besides` are what the outcome rests on beside its criteria.
    """

    rule: str
    rule_version: str
    as_of: date
    outcome: str
    sentence: str
    criteria: tuple[Criterion, ...]
    whose_move: Party
    urgent: bool = False
    earliest: date | None = None
    until: date | None = None
    target_left_mm: Decimal | None = None
    target_right_mm: Decimal | None = None
    read_besides: tuple[Source, ...] = ()
    compared_besides: tuple[Threshold, ...] = ()

    @property
    def missing(self) -> tuple[str, ...]:
        """The facts that would have to be known, in words."""
        return tuple(c.missing for c in self.criteria if c.missing)

    @property
    def attention(self) -> tuple[str, ...]:
        """The names of the criteria that call for attention."""
        return tuple(c.name for c in self.criteria if c.status is Status.ATTENTION)

    @property
    def inputs(self) -> tuple[Source, ...]:
        """Every resource version that was read, each once, in a fixed order."""
        return tuple(sorted({source for c in self.criteria for source in c.inputs} | set(self.read_besides)))

    @property
    def thresholds(self) -> tuple[Threshold, ...]:
        """Every threshold that was compared with, each once."""
        return unique_thresholds((*(t for c in self.criteria for t in c.thresholds), *self.compared_besides))

    def criterion(self, name: str) -> Criterion:
        """The criterion of that name; KeyError when the rule has none."""
        for item in self.criteria:
            if item.name == name:
                return item
        raise KeyError(name)

    def as_data(self) -> dict[str, Any]:
        """The decision as JSON-ready data: dates as ISO text, numbers as Decimal, in a fixed order."""
        basis = self.basis_data()
        data: dict[str, Any] = {
            "rule": basis["rule"],
            "rule_version": basis["rule_version"],
            "as_of": basis["as_of"],
            "outcome": self.outcome,
            "sentence": self.sentence,
            "reason": reason_data(self.sentence),
            "whose_move": self.whose_move.value,
            "urgent": self.urgent,
            "earliest": _iso(self.earliest),
            "until": _iso(self.until),
            "target_left_mm": self.target_left_mm,
            "target_right_mm": self.target_right_mm,
            "missing": list(self.missing),
            "criteria": [criterion_data(c) for c in self.criteria],
            "thresholds": basis["thresholds"],
            "inputs": basis["inputs"],
        }
        return data

    def basis_data(self) -> dict[str, Any]:
        """What the decision rests on as JSON-ready data: the rule, the day, the thresholds and the inputs."""
        return {
            "rule": self.rule,
            "rule_version": self.rule_version,
            "as_of": self.as_of.isoformat(),
            "thresholds": [threshold_data(t) for t in self.thresholds],
            "inputs": [{"reference": s.reference, "version": s.version} for s in self.inputs],
        }


def unique_thresholds(thresholds: Iterable[Threshold]) -> tuple[Threshold, ...]:
    """Each threshold once, in order of first use."""
    return tuple({t.name: t for t in thresholds}.values())


def threshold_data(threshold: Threshold) -> dict[str, Any]:
    """One threshold as JSON-ready data."""
    return {
        "name": threshold.name,
        "value": threshold.value,
        "unit": threshold.unit,
        "mark": threshold.mark.value,
        "source": threshold.source,
        "meaning": threshold.meaning,
        "set_by_site": threshold.set_by_site,
        "default": threshold.default,
        "cited": threshold.cited,
    }


def criterion_data(item: Criterion) -> dict[str, Any]:
    """One criterion as JSON-ready data."""
    return {
        "name": item.name,
        "title": item.title,
        "status": item.status.value,
        "standing": item.standing,
        "sentence": item.sentence,
        "reason": reason_data(item.sentence),
        "observed": [{"value": m.value, "unit": m.unit} for m in item.observed],
        "thresholds": [t.name for t in item.thresholds],
        "inputs": [{"reference": s.reference, "version": s.version} for s in item.inputs],
        "earliest": _iso(item.earliest),
        "needs": item.needs or None,
        "missing": item.missing or None,
        "cites": item.cites or None,
    }


def _iso(value: date | None) -> str | None:
    return value.isoformat() if value else None
