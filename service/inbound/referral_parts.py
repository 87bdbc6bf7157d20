"""What a referral carries along: diagnosis, conditions, Epworth total, PAP history, evaluation, documentation.

Each part is a resource of its own. A later revision of the referral that no longer tells a part withdraws it.
"""

from __future__ import annotations

from service.fhir.build import VERIFICATION, Draft, Resource, component, encounter, identifier, ref, sid
from service.fhir.codes import (
    EXCESSIVE_SLEEPINESS,
    ICD10CM,
    OBSTRUCTIVE_SLEEP_APNOEA,
    PROCEDURE_CATEGORY,
    SNOMED,
    SURVEY_CATEGORY,
    Code,
    local,
)
from service.inbound.referral_message import CONDITIONS, Diagnosis, ReferralMessage

PATIENT, REFERRAL, PHYSICIAN, DIAGNOSIS = (
    "urn:new:patient",
    "urn:new:referral",
    "urn:new:physician",
    "urn:new:diagnosis",
)
_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_CATEGORY = "http://terminology.hl7.org/CodeSystem/condition-category"


def referral_parts(message: ReferralMessage) -> list[Draft]:
    """Every part the referral tells, and the withdrawal of those that an earlier revision may have told."""
    told = [
        _part(message, "diagnosis", "Condition", "diagnosis", _diagnosis(message, message.diagnosis), DIAGNOSIS),
        *(_part(message, f"condition-{_slug(c)}", "Condition", "conditions", _told(message, c)) for c in CONDITIONS),
        _part(message, "epworth", "Observation", "epworth_total", _epworth(message)),
        _part(message, "pap-history", "Observation", "pap_history", _pap_history(message)),
        _part(message, "evaluation", "Encounter", "face_to_face_on", _evaluation(message)),
        _part(
            message,
            "documentation",
            "Observation",
            "ordered_by_treating_practitioner",
            _documentation(message),
        ),
    ]
    return [draft for draft in told if not draft.withdraws or message.revision > 1]


def _part(
    message: ReferralMessage, name: str, kind: str, path: str, content: Resource | None, address: str = ""
) -> Draft:
    """A part under the referral's own number; without content, the withdrawal of what stood there."""
    number = (sid(f"referral-{name}", message.physician.practice.id), message.referral_number)
    resource: Resource = {"resourceType": kind, "identifier": [identifier(*number)], **(content or {})}
    return Draft(
        resource,
        address or f"urn:new:{name}",
        path,
        "epworth_on" if name == "epworth" else "face_to_face_on" if name == "evaluation" else "referred_on",
        identity=number,
        revision=message.revision,
        revises=True,
        withdraws=content is None,
        goes_with=REFERRAL,
    )


def _diagnosis(message: ReferralMessage, diagnosis: Diagnosis | None) -> Resource | None:
    if diagnosis is None:
        return None
    system = ICD10CM if diagnosis.system == "icd-10-cm" else SNOMED
    code: Resource = {"coding": [{"system": system, "code": diagnosis.code}]}
    if diagnosis.text or diagnosis.code in (OBSTRUCTIVE_SLEEP_APNOEA.code, "G47.33"):
        code["text"] = diagnosis.text or OBSTRUCTIVE_SLEEP_APNOEA.display
    return _condition(message, "encounter-diagnosis", code)


def _told(message: ReferralMessage, name: str) -> Resource | None:
    """A symptom or comorbidity of the referral."""
    if name not in message.conditions:
        return None
    code: Code = EXCESSIVE_SLEEPINESS if name == "excessive daytime sleepiness" else local(_slug(name))
    return _condition(message, "problem-list-item", code.concept)


def _slug(name: str) -> str:
    return name.replace(" ", "-")


def _condition(message: ReferralMessage, category: str, code: Resource) -> Resource:
    return {
        "clinicalStatus": {"coding": [{"system": _CLINICAL, "code": "active"}]},
        "verificationStatus": {"coding": [{"system": VERIFICATION, "code": "confirmed"}]},
        "category": [{"coding": [{"system": _CATEGORY, "code": category}]}],
        "code": code,
        "subject": ref(PATIENT),
        "recordedDate": message.referred_on,
        "asserter": ref(PHYSICIAN),
    }


def _observation(code: str, category: Code, effective: str) -> Resource:
    return {
        "basedOn": [ref(REFERRAL)],
        "status": "final",
        "category": [category.concept],
        "code": local(code).concept,
        "subject": ref(PATIENT),
        "effectiveDateTime": effective,
    }


def _epworth(message: ReferralMessage) -> Resource | None:
    if message.epworth_total is None:
        return None
    on = message.epworth_on or message.referred_on
    return {**_observation("epworth-total", SURVEY_CATEGORY, on), "valueInteger": message.epworth_total}


def _pap_history(message: ReferralMessage) -> Resource | None:
    if message.pap_history is None:
        return None
    head = _observation("pap-history", PROCEDURE_CATEGORY, message.referred_on)
    return {**head, "valueCodeableConcept": {"text": message.pap_history}}


def _evaluation(message: ReferralMessage) -> Resource | None:
    if message.face_to_face_on is None:
        return None
    held = encounter(local("face-to-face-evaluation"), ref(PATIENT), message.face_to_face_on)
    return {**held, "basedOn": [ref(REFERRAL)], "participant": [{"individual": ref(PHYSICIAN)}]}


def _documentation(message: ReferralMessage) -> Resource | None:
    said = message.ordered_by_treating_practitioner
    if said is None:
        return None
    part = component(local("ordered-by-treating-practitioner"), "valueBoolean", said)
    return {**_observation("coverage-documentation", PROCEDURE_CATEGORY, message.referred_on), "component": [part]}
