"""Decisions as Observations: value = outcome, one component per criterion with its value and sentence.

An R4 Observation cannot name a Device as performer, so the rules stand in `device`, in exactly the version that
decided (https://hl7.org/fhir/R4/observation.html).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from service.fhir.build import Resource, component, quantity
from service.fhir.codes import SURVEY_CATEGORY, Code, is_local, local
from service.fhir.engine import CAUTION, versioned
from service.rules.decision import Criterion, Decision, Status
from service.rules.response import RULE as RESPONSE_RULE
from service.rules.response import VERSION as RESPONSE_VERSION
from service.rules.response import Response
from service.rules.source import Source
from service.rules.threshold import Threshold
from service.rules.words import number, rounded

_DERIVED_FROM = ("Observation/", "QuestionnaireResponse/")
_BY = "Rule {rule}, version {version}"
_TOLD_BY = re.compile(_BY.format(rule="(.+)", version="(.+)"))
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
        **_head(decision.rule, decision.rule_version, decision.as_of, decision.outcome, decision.inputs, about),
        "note": _notes(decision.sentence, CAUTION),
        "component": [_criterion_component(c) for c in decision.criteria],
    }


def response_observation(response: Response, observation_id: str, about: About) -> Resource:
    """The response as an Observation: beside the criteria the fall, severities, intervals and what wear leaves of it."""
    after = (response.relapse.sentence,) if response.relapse else ()
    notes = _notes(
        response.sentence,
        response.disagreement,
        *response.remarks,
        *response.certainty.sentences,
        *(m.sentence for m in response.measures),
        response.wear,
        *(s.sentence for s in response.suggestions),
        *after,
        *response.cautions,
        CAUTION,
    )
    return {
        "resourceType": "Observation",
        "id": observation_id,
        **_head(
            RESPONSE_RULE,
            RESPONSE_VERSION,
            response.as_of,
            response.response_class.value,
            response.inputs,
            about,
        ),
        "note": notes,
        "component": [*_measured(response), *(_criterion_component(c) for c in response.criteria)],
    }


def _head(rule: str, version: str, as_of: date, outcome: str, inputs: Sequence[Source], about: About) -> Resource:
    head: Resource = {
        "basedOn": [about.based_on],
        "status": "final",
        "category": [SURVEY_CATEGORY.concept],
        "code": local(rule).concept,
        "subject": about.subject,
        "effectiveDateTime": as_of.isoformat(),
        "valueCodeableConcept": local(outcome).concept,
        "method": {"text": _BY.format(rule=rule, version=version)},
        "device": versioned(about.engine),
    }
    derived = [versioned(s) for s in inputs if s.reference.startswith(_DERIVED_FROM)]
    return head | ({"derivedFrom": derived} if derived else {})


def rule_of(decision: Resource) -> tuple[str, str]:
    """The rule that made a decision, and its version; empty when a decision does not tell them."""
    told = _TOLD_BY.fullmatch(decision.get("method", {}).get("text", ""))
    return (told[1], told[2]) if told else ("", "")


def _notes(*texts: str) -> list[Resource]:
    return [{"text": text} for text in texts if text]


def _measured(response: Response) -> list[Resource]:
    """What the response measured beside its criteria; left out where it is not known."""
    sure, worn = response.certainty, response.alleviation
    found: list[Resource] = []
    if response.fall_percent is not None:
        found.append(component(local("fall-in-index"), "valueQuantity", quantity(response.fall_percent, "%")))
    for code, interval, unit in (
        ("fall-interval", sure.fall_percent, "%"),
        ("baseline-index-interval", sure.before_per_hour, "{events}/h"),
        ("efficacy-index-interval", sure.after_per_hour, "{events}/h"),
    ):
        if interval:
            ends = zip(("low", "high"), interval, strict=True)
            held = {end: quantity(value, unit) for end, value in ends if value is not None}
            found.append(component(local(code), "valueRange", held))
    for code, severity in (("severity-before", response.severity_before), ("severity-after", response.severity_after)):
        name = "no-apnoea" if severity == "none" else f"{severity}-apnoea"
        found.append(component(local(code), "valueCodeableConcept", local(name).concept))
    if worn:
        for code, value, unit in (
            ("mean-disease-alleviation", worn.percent, "%"),
            ("effective-index", worn.effective_per_hour, "{events}/h"),
        ):
            found.append(component(local(code), "valueQuantity", quantity(value, unit)))
    return found


def _criterion_component(item: Criterion) -> Resource:
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
    ranges = [_range(t) for t in item.thresholds]
    if ranges:
        built["referenceRange"] = ranges
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


def _range(threshold: Threshold) -> Resource:
    value = f"{number(threshold.value)} {threshold.unit}".removesuffix(" 1")
    support = threshold.cited if threshold.set_by_site else f"{threshold.mark.value}; {threshold.source}"
    return {"text": f"{threshold.meaning}: {value} ({support})"}
