"""Which published profile a resource belongs to, by what it says of itself."""

from __future__ import annotations

from service.fhir.audit_event import USER_AUTHENTICATION
from service.fhir.build import Resource
from service.fhir.cancellation import is_cancellation
from service.fhir.check_in import QUESTIONNAIRE
from service.fhir.codes import (
    AHI_24_HOUR,
    APNOEA_INDEX,
    BASE,
    OBSTRUCTIVE_INDEX,
    ODI,
    codings_of,
    has_code,
    local,
    local_code_of,
)
from service.fhir.engine import ENGINE_ID, is_engine
from service.fhir.json_parts import is_list, is_object
from service.fhir.read_other import is_referral, is_referral_task, is_test_order

_BY_TYPE = {
    "Patient": "patient",
    "Practitioner": "practitioner",
    "Organization": "organization",
    "Condition": "diagnosis",
    "DeviceUseStatement": "appliance-use",
    "CarePlan": "care-plan",
    "GuidanceResponse": "decision-run",
}
_INDICES = ("ahi", "rei", "rdi")
_MEASURES = (
    "recording-time",
    "monitored-time",
    "sleep-time",
    "lowest-spo2",
    "t90",
    "minutes-at-88",
    "supine-index",
    "non-supine-index",
    "supine-time",
    "supine-share",
    "central-share",
    "central-index",
    "central-events",
    "obstructive-events",
    "mixed-events",
    "weight-at-test",
)
_OBSERVATIONS = (
    "pap-history",
    "dental-assessment",
    "protrusion-setting",
    "snoring",
    "restedness",
    "epworth-total",
    "wear",
    "witnessed-pauses",
    "body-weight-reported",
    "side-effect",
    "red-flag",
    "red-flag-closure",
    "readiness-for-efficacy-test",
    "next-titration-step",
    "response-to-treatment",
    "referral-check",
    "follow-up",
    "us-coverage-documentation",
    "coverage-documentation",
    "physician-decision",
)
_BY_CODE = (
    dict.fromkeys(_INDICES, "sleep-test-index")
    | dict.fromkeys(_MEASURES, "sleep-test-measure")
    | {code: code for code in _OBSERVATIONS}
)
_VISITS = ("dental-visit", "physician-visit", "face-to-face-evaluation")
_PURPOSES = ("baseline-test", "efficacy-test")


def profile_of(resource: Resource) -> str | None:
    """The canonical URL of the profile a resource must keep to; None when it is none of ours."""
    kind = resource.get("resourceType")
    find = _FINDERS.get(kind) if isinstance(kind, str) else None
    name = find(resource) if find else _BY_TYPE.get(kind) if isinstance(kind, str) else None
    return f"{BASE}/StructureDefinition/{name}" if name else None


def named_profiles(resource: Resource) -> list[str]:
    """What `meta.profile` names, without the profile the resource belongs to anyway."""
    meta = resource.get("meta")
    held = meta.get("profile") if is_object(meta) else None
    if not held or not is_list(held):
        return []
    own = profile_of(resource)
    return [url for url in held if url != own]


def with_profile(resource: Resource) -> Resource:
    """The resource with the profile it belongs to named in `meta.profile`."""
    own = profile_of(resource)
    if own is None:
        return resource
    meta = {**resource.get("meta", {}), "profile": [*named_profiles(resource), own]}
    return {**resource, "meta": meta}


def profiles_by_type() -> dict[str, list[str]]:
    """The canonical URLs of the published profiles by the type they are of."""
    found: dict[str, list[str]] = {kind: [name] for kind, name in _BY_TYPE.items()}
    found |= {kind: list(names) for kind, names in _FOUND_BY.items()}
    return {kind: [f"{BASE}/StructureDefinition/{name}" for name in names] for kind, names in found.items()}


def _observation(resource: Resource) -> str | None:
    concept = resource.get("code")
    if has_code(concept, APNOEA_INDEX) or has_code(concept, OBSTRUCTIVE_INDEX):
        return None
    if has_code(concept, ODI):
        return "sleep-test-odi"
    if has_code(concept, AHI_24_HOUR):
        return "sleep-test-index"
    return _BY_CODE.get(local_code_of(concept) or "")


def _service_request(resource: Resource) -> str | None:
    if is_referral(resource):
        return "referral"
    if is_test_order(resource):
        return "test-order"
    return "test-proposal" if is_engine(resource.get("requester")) else None


def _task(resource: Resource) -> str | None:
    if is_referral_task(resource):
        return "referral-task"
    if is_cancellation(resource):
        return "cancellation-task"
    approves = any(is_object(c) and c.get("code") == "approve" for c in codings_of(resource.get("code")))
    return "approval-task" if approves and is_engine(resource.get("requester")) else None


def _device(resource: Resource) -> str | None:
    if has_code(resource.get("type"), local("oral-appliance")):
        return "appliance"
    return "rule-engine" if resource.get("id") == ENGINE_ID else None


def _diagnostic_report(resource: Resource) -> str | None:
    held = resource.get("category")
    categories = held if is_list(held) else []
    return "sleep-test" if any(has_code(c, local(p)) for c in categories for p in _PURPOSES) else None


def _questionnaire_response(resource: Resource) -> str | None:
    return "check-in" if str(resource.get("questionnaire", "")).split("|")[0] == QUESTIONNAIRE else None


def _provenance(resource: Resource) -> str | None:
    agents = resource.get("agent")
    made = any(is_object(a) and is_engine(a.get("who")) for a in (agents if is_list(agents) else []))
    return "decision-provenance" if made else None


def _encounter(resource: Resource) -> str | None:
    held = resource.get("type")
    kinds = {local_code_of(c) for c in (held if is_list(held) else [])}
    return "visit" if kinds & set(_VISITS) else None


def _audit_event(resource: Resource) -> str | None:
    """Signing in and out is no interaction with resources, and is an AuditEvent of base R4."""
    kind = resource.get("type")
    return None if is_object(kind) and kind.get("code") == USER_AUTHENTICATION["code"] else "audit-event"


_FINDERS = {
    "AuditEvent": _audit_event,
    "Encounter": _encounter,
    "Observation": _observation,
    "ServiceRequest": _service_request,
    "Task": _task,
    "Device": _device,
    "DiagnosticReport": _diagnostic_report,
    "QuestionnaireResponse": _questionnaire_response,
    "Provenance": _provenance,
}
_FOUND_BY = {
    "AuditEvent": ("audit-event",),
    "Observation": dict.fromkeys(["sleep-test-odi", *_BY_CODE.values()]),
    "ServiceRequest": ("referral", "test-order", "test-proposal"),
    "Task": ("referral-task", "approval-task", "cancellation-task"),
    "Device": ("appliance", "rule-engine"),
    "DiagnosticReport": ("sleep-test",),
    "QuestionnaireResponse": ("check-in",),
    "Provenance": ("decision-provenance",),
    "Encounter": ("visit",),
}
