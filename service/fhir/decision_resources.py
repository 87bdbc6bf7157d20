"""Decisions as FHIR resources: Observations with one component per criterion, run record, provenance.

An R4 Observation cannot name a Device as performer, so the rule engine stands in `device`
(https://hl7.org/fhir/R4/observation.html); `derivedFrom` takes only some types, so the Provenance lists
every input version (https://hl7.org/fhir/R4/provenance.html).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from service.fhir.build import Resource, component, identifier, quantity, sid
from service.fhir.codes import BASE, LOCAL, SURVEY_CATEGORY, Code, is_local, local
from service.fhir.json_text import write_canonical
from service.rules.decision import Criterion, Decision, Status
from service.rules.facts import CaseFacts, Source
from service.rules.response import RULE as RESPONSE_RULE
from service.rules.response import VERSION as RESPONSE_VERSION
from service.rules.response import Response
from service.rules.thresholds import Threshold
from service.rules.words import number

ENGINE_ID = "airway-relay-rules"
CAUTION = (
    "Decision support, not a diagnosis: licensed judgement and local rules decide. Feeling better does not show that the "
    "appliance works; single-night tests vary; self-reported wear over-reads."
)
_DERIVED_FROM = ("Observation/", "QuestionnaireResponse/")
_ABSENT = {
    "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
    "code": "unknown",
    "display": "Unknown",
}


def rule_engine(version: str) -> Resource:
    """The Device that stands for this service's rules in decisions and audit."""
    return {
        "resourceType": "Device",
        "id": ENGINE_ID,
        "status": "active",
        "deviceName": [{"name": "Airway Relay clinical rules", "type": "user-friendly-name"}],
        "version": [{"value": version}],
        "note": [{"text": CAUTION}],
    }


def versioned(source: Source) -> Resource:
    """A reference to exactly one version of a resource."""
    return {"reference": f"{source.reference}/_history/{source.version}"}


def inputs_hash(decision: Decision | Response) -> str:
    """SHA-256 over the inputs, thresholds, rule version and day of a decision: equal inputs give an equal hash."""
    data = decision.as_data()
    basis = {key: data[key] for key in ("rule", "rule_version", "as_of", "thresholds", "inputs")}
    return hashlib.sha256(write_canonical(basis).encode()).hexdigest()


def facts_hash(facts: CaseFacts) -> str:
    """SHA-256 over all facts of a case, whatever order they came in."""
    parts = sorted(repr(fact) for name in facts.__dataclass_fields__ for fact in _as_tuple(getattr(facts, name)))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _as_tuple(value: Any) -> tuple[Any, ...]:
    return value if isinstance(value, tuple) else (value,)


def decision_observation(decision: Decision, observation_id: str, subject: Resource, based_on: Resource) -> Resource:
    """A decision as an Observation: value = outcome, one component per criterion with value and sentence."""
    return _observation(
        observation_id,
        decision.rule,
        decision.outcome,
        decision.as_of.isoformat(),
        (decision.sentence, CAUTION),
        decision.criteria,
        decision.inputs,
        subject,
        based_on,
        decision.rule_version,
    )


def response_observation(response: Response, observation_id: str, subject: Resource, based_on: Resource) -> Resource:
    """The response as an Observation; the fall in % is a component of its own."""
    notes = (response.sentence, response.disagreement, *response.comparability, CAUTION)
    built = _observation(
        observation_id,
        RESPONSE_RULE,
        response.response_class.value,
        response.as_of.isoformat(),
        tuple(n for n in notes if n),
        response.criteria,
        response.inputs,
        subject,
        based_on,
        RESPONSE_VERSION,
    )
    if response.fall_percent is not None:
        fall = component(local("fall-in-index"), "valueQuantity", quantity(response.fall_percent, "%"))
        built["component"].insert(0, fall)
    return built


def _observation(
    observation_id: str,
    rule: str,
    outcome: str,
    as_of: str,
    notes: Sequence[str],
    criteria: Sequence[Criterion],
    inputs: Sequence[Source],
    subject: Resource,
    based_on: Resource,
    version: str,
) -> Resource:
    built: Resource = {
        "resourceType": "Observation",
        "id": observation_id,
        "basedOn": [based_on],
        "status": "final",
        "category": [SURVEY_CATEGORY.concept],
        "code": local(rule).concept,
        "subject": subject,
        "effectiveDateTime": as_of,
        "valueCodeableConcept": local(outcome).concept,
        "note": [{"text": text} for text in notes],
        "method": {"text": f"Rule {rule}, version {version}"},
        "device": {"reference": f"Device/{ENGINE_ID}"},
        "component": [_criterion_component(c) for c in criteria],
    }
    derived = [versioned(s) for s in inputs if s.reference.startswith(_DERIVED_FROM)]
    if derived:
        built["derivedFrom"] = derived
    return built


def _criterion_component(item: Criterion) -> Resource:
    """One criterion: measured value if any, else met or unmet as value; the sentence with the interpretation."""
    status = local(item.status.value)
    built: Resource = {"code": {**_criterion_code(item.name).concept, "text": item.title}}
    if item.observed:
        built["valueQuantity"] = quantity(item.observed[0].value, item.observed[0].unit)
    elif item.status is Status.UNKNOWN:
        built["dataAbsentReason"] = {"coding": [_ABSENT]}
    else:
        built["valueCodeableConcept"] = status.concept
    built["interpretation"] = [{**status.concept, "text": item.sentence}]
    ranges = [_range(t) for t in item.thresholds]
    if ranges:
        built["referenceRange"] = ranges
    return built


def _criterion_code(name: str) -> Code:
    if is_local(name):
        return local(name)
    return local("red-flag-open" if name.startswith("red-flag-") else "side-effect-open")


def _range(threshold: Threshold) -> Resource:
    value = f"{number(threshold.value)} {threshold.unit}".removesuffix(" 1")
    support = threshold.cited if threshold.set_by_site else f"{threshold.mark.value}; {threshold.source}"
    return {"text": f"{threshold.meaning}: {value} ({support})"}


def run_record(
    decision: Decision, record_id: str, subject: Resource, occurred: str, care_plan: str, facts_digest: str
) -> Resource:
    """The run of the readiness rule as a GuidanceResponse: module version, hash of inputs, data required.

    https://hl7.org/fhir/R4/guidanceresponse.html
    """
    built: Resource = {
        "resourceType": "GuidanceResponse",
        "id": record_id,
        "requestIdentifier": identifier(sid("inputs-sha256"), inputs_hash(decision)),
        "identifier": [identifier(sid("facts-sha256"), facts_digest)],
        "moduleUri": f"{BASE}/rule/{decision.rule}|{decision.rule_version}",
        "status": "data-required" if decision.missing else "success",
        "subject": subject,
        "occurrenceDateTime": occurred,
        "performer": {"reference": f"Device/{ENGINE_ID}"},
        "note": [{"text": decision.sentence}, {"text": CAUTION}],
        "result": {"reference": care_plan},
    }
    if decision.missing:
        built["dataRequirement"] = [_data_requirement(c) for c in decision.criteria if c.missing]
    return built


_REQUIRED = {
    "appliance-delivered": ("DeviceUseStatement", None),
    "baseline-known": ("DiagnosticReport", "baseline-test"),
    "setting-stable": ("Observation", "protrusion-setting"),
    "worn-enough": ("Observation", "wear"),
    "snoring-settled": ("Observation", "snoring"),
    "sleepiness-settled": ("Observation", "restedness"),
}


def _data_requirement(item: Criterion) -> Resource:
    kind, code = _REQUIRED[item.name]
    built: Resource = {"type": kind}
    if code:
        path = "category" if kind == "DiagnosticReport" else "code"
        built["codeFilter"] = [{"path": path, "code": [{"system": LOCAL, "code": code}]}]
    return built


def decision_provenance(
    provenance_id: str, targets: Sequence[Source], inputs: Sequence[Source], recorded: str
) -> Resource:
    """Which resource versions the decision and the CarePlan were made from, and by what."""
    built: Resource = {
        "resourceType": "Provenance",
        "id": provenance_id,
        "target": [versioned(t) for t in targets],
        "recorded": recorded,
        "activity": {"text": f"Decision by the rules, as listed in {BASE}/rule"},
        "agent": [{"who": {"reference": f"Device/{ENGINE_ID}"}}],
    }
    if inputs:
        built["entity"] = [{"role": "source", "what": versioned(s)} for s in inputs]
    return built
