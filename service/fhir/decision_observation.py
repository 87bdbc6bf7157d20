"""Decisions as Observations: value = outcome, one component per criterion with its value and sentence.

An R4 Observation cannot name a Device as performer, so the rules stand in `device`, in exactly the version that
decided (https://hl7.org/fhir/R4/observation.html).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from service.fhir.build import Resource, quantity
from service.fhir.codes import SURVEY_CATEGORY, Code, is_local, local
from service.fhir.engine import CAUTION, versioned
from service.fhir.threshold_note import threshold_note
from service.rules.decision import Criterion, Decision, Status
from service.rules.source import Source
from service.rules.words import rounded

_DERIVED_FROM = ("Observation/", "QuestionnaireResponse/")
_RULE, _VERSION = "Rule ", ", version "
_ABSENT = {
    "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
    "code": "unknown",
    "display": "Unknown",
}


@dataclass(frozen=True, slots=True)
class About:
    """Whose case a decision is about, the referral it is based on, and the version of the rules that made it."""

    subject: Resource
    based_on: Resource
    engine: Source


def decision_observation(decision: Decision, observation_id: str, about: About) -> Resource:
    """A decision as an Observation: value = outcome, one component per criterion with value and sentence."""
    return {
        "resourceType": "Observation",
        "id": observation_id,
        **head(decision.rule, decision.rule_version, decision.as_of, decision.outcome, decision.inputs, about),
        "note": notes_of(decision.sentence, CAUTION),
        "component": [criterion_component(c) for c in decision.criteria],
    }


def head(rule: str, version: str, as_of: date, outcome: str, inputs: Sequence[Source], about: About) -> Resource:
    """What every decision tells of itself: its rule, its day, its outcome, whose it is and what it was made from."""
    built: Resource = {
        "basedOn": [about.based_on],
        "status": "final",
        "category": [SURVEY_CATEGORY.concept],
        "code": local(rule).concept,
        "subject": about.subject,
        "effectiveDateTime": as_of.isoformat(),
        "valueCodeableConcept": local(outcome).concept,
        "method": {"text": f"{_RULE}{rule}{_VERSION}{version}"},
        "device": versioned(about.engine),
    }
    derived = [versioned(s) for s in inputs if s.reference.startswith(_DERIVED_FROM)]
    return built | ({"derivedFrom": derived} if derived else {})


def rule_of(decision: Resource) -> tuple[str, str]:
    """The rule that made a decision, and its version; empty when a decision does not tell them."""
    text = str(decision.get("method", {}).get("text", ""))
    rule, _, version = text.removeprefix(_RULE).rpartition(_VERSION)
    return (rule, version) if rule and version and text.startswith(_RULE) else ("", "")


def notes_of(*texts: str | None) -> list[Resource]:
    """Texts as notes, each once; those that say nothing are left out."""
    return [{"text": text} for text in dict.fromkeys(texts) if text]


def criterion_component(item: Criterion) -> Resource:
    """One criterion: measured value if any, else met or unmet as value; the sentence with the interpretation."""
    status = local(item.status.value)
    built: Resource = {"code": {**_criterion_code(item.name).concept, "text": item.title}}
    if item.observed:
        built["valueQuantity"] = quantity(_short(item.observed[0].value), item.observed[0].unit)
    elif item.status is Status.UNKNOWN:
        built["dataAbsentReason"] = {"coding": [_ABSENT]}
    else:
        built["valueCodeableConcept"] = status.concept
    built["interpretation"] = [{**status.concept, "text": item.sentence}]
    if item.thresholds:
        built["referenceRange"] = [{"text": threshold_note(t)} for t in item.thresholds]
    return built


def _short(value: Decimal) -> Decimal:
    """A value as measured; a share that does not end is cut to four places."""
    exponent = value.as_tuple().exponent
    return rounded(value, "0.0001") if isinstance(exponent, int) and exponent < -4 else value


def _criterion_code(name: str) -> Code:
    if is_local(name):
        return local(name)
    if name.startswith("red-flag-"):
        return local("red-flag-open")
    if name.startswith("side-effect-"):
        return local("side-effect-open")
    raise KeyError(f"the criterion {name} has no code")
