"""The records of a decision: the run of the rule with the hash of what it read, and where everything came from.

https://hl7.org/fhir/R4/guidanceresponse.html and https://hl7.org/fhir/R4/provenance.html. The Provenance lists every
input version, because `Observation.derivedFrom` takes only some types.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any, cast

from service.fhir.build import Resource, identifier, sid
from service.fhir.codes import BASE, LOCAL
from service.fhir.engine import CAUTION, versioned
from service.fhir.json_text import write_canonical
from service.rules.decision import Criterion, Decision
from service.rules.facts import CaseFacts
from service.rules.source import Source


def inputs_hash(decision: Decision) -> str:
    """SHA-256 over the inputs, thresholds, rule version and day of a decision: equal inputs give an equal hash."""
    return hashlib.sha256(write_canonical(decision.basis_data()).encode()).hexdigest()


def facts_hash(facts: CaseFacts) -> str:
    """SHA-256 over all facts of a case, whatever order they came in."""
    parts = sorted(repr(fact) for name in facts.__dataclass_fields__ for fact in _as_tuple(getattr(facts, name)))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _as_tuple(value: Any) -> tuple[Any, ...]:
    return cast(tuple[Any, ...], value) if isinstance(value, tuple) else (value,)


def run_record(
    decision: Decision, record_id: str, subject: Resource, engine: Source, care_plan: str, facts_digest: str
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
        "occurrenceDateTime": decision.as_of.isoformat(),
        "performer": versioned(engine),
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
    "no-witnessed-pauses": ("Observation", "witnessed-pauses"),
}


def _data_requirement(item: Criterion) -> Resource:
    kind, code = _REQUIRED[item.name]
    built: Resource = {"type": kind}
    if code:
        path = "category" if kind == "DiagnosticReport" else "code"
        built["codeFilter"] = [{"path": path, "code": [{"system": LOCAL, "code": code}]}]
    return built


def decision_provenance(
    provenance_id: str, targets: Sequence[Source], inputs: Sequence[Source], engine: Source, recorded: str
) -> Resource:
    """Which resource versions the decision and the CarePlan were made from, and by what."""
    built: Resource = {
        "resourceType": "Provenance",
        "id": provenance_id,
        "target": [versioned(t) for t in targets],
        "recorded": recorded,
        "activity": {"text": f"Decision by the rules, as listed in {BASE}/rule"},
        "agent": [{"who": versioned(engine)}],
    }
    if inputs:
        built["entity"] = [{"role": "source", "what": versioned(s)} for s in inputs]
    return built
