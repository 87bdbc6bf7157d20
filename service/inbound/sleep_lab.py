"""What a sleep laboratory sends: a referral with its baseline test, and efficacy-test results."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, identifier, ref, sid
from service.fhir.codes import (
    DENTAL_REFERRAL,
    ICD10CM,
    OBSTRUCTIVE_SLEEP_APNOEA,
    PROCEDURE_CATEGORY,
    SNOMED,
    SURVEY_CATEGORY,
    local,
)
from service.inbound.plain import CODE, Day, DayOrTime, Key, Mapped, Name, Organisation, Plain, Text, Within, checked
from service.inbound.sleep_test import EfficacyTestMessage, SleepTestMessage, sleep_test_drafts
from service.rules import limits

_PATIENT, _REFERRAL, _LABORATORY = "urn:new:patient", "urn:new:referral", "urn:new:laboratory"
_PHYSICIAN, _PRACTICE, _DENTAL, _DIAGNOSIS = (
    "urn:new:physician",
    "urn:new:practice",
    "urn:new:dental-office",
    "urn:new:diagnosis",
)


class Physician(Plain):
    """The physician who prescribes, with the practice that places the referral."""

    id: Key
    family_name: Name
    given_name: Name
    practice: Organisation


class Patient(Plain):
    """The patient as the sleep laboratory knows them."""

    id: Key
    family_name: Name
    given_name: Name
    birth_date: Day
    sex: Literal["female", "male", "other", "unknown"]


class Diagnosis(Plain):
    """A diagnosis made by the physician."""

    system: Literal["icd-10-cm", "snomed-ct"]
    code: Annotated[str, Field(pattern=CODE)]
    text: Text | None = None


class ReferralMessage(Plain):
    """A referral for oral appliance therapy, prescribed by a physician, with the baseline test."""

    referral_number: Key
    referred_on: Day
    laboratory: Organisation
    physician: Physician
    dental_office: Organisation
    patient: Patient
    diagnosis: Diagnosis | None = None
    baseline_test: SleepTestMessage | None = None
    epworth_total: Annotated[int, Within(limits.EPWORTH_TOTAL)] | None = None
    epworth_on: DayOrTime | None = None
    pap_history: Literal["not tried", "declined", "not tolerated", "not effective", "in use"] | None = None
    note: Text | None = None
    revision: Annotated[int, Field(ge=1, le=1000)] = 1


class ResultMessage(Plain):
    """An efficacy-test result from a laboratory."""

    laboratory: Organisation
    test: EfficacyTestMessage


def map_referral(body: dict[str, Any]) -> Mapped:
    """A referral as drafts: patient, organisations, physician, diagnosis, baseline test, ServiceRequest."""
    message = checked(ReferralMessage, body)
    drafts = _parties(message)
    supporting: list[Resource] = []
    if message.diagnosis:
        drafts.append(_condition(message, message.diagnosis))
    if message.baseline_test:
        drafts.extend(
            sleep_test_drafts(
                message.baseline_test,
                laboratory=message.laboratory.id,
                subject=_PATIENT,
                referral=_REFERRAL,
                performer=_LABORATORY,
                path="baseline_test",
            )
        )
        supporting.append(ref(drafts[-1].local))
    extras = _history(message)
    drafts.extend(extras)
    supporting.extend(ref(draft.local) for draft in extras)
    drafts.append(_service_request(message, supporting))
    return Mapped(drafts, agent=f"{message.laboratory.name} ({message.laboratory.id})")


def map_result(body: dict[str, Any]) -> Mapped:
    """An efficacy-test result as drafts."""
    message = checked(ResultMessage, body)
    laboratory = organisation_draft(message.laboratory, _LABORATORY, "laboratory")
    tests = sleep_test_drafts(
        message.test,
        laboratory=message.laboratory.id,
        subject=CASE_PATIENT,
        referral=CASE_REFERRAL,
        performer=_LABORATORY,
        path="test",
    )
    return Mapped([laboratory, *tests], agent=f"{message.laboratory.name} ({message.laboratory.id})")


def organisation_draft(organisation: Organisation, local_address: str, path: str) -> Draft:
    """An organisation known by its number; its first record stays."""
    number = (sid("organization"), organisation.id)
    resource: Resource = {
        "resourceType": "Organization",
        "identifier": [identifier(*number)],
        "active": True,
        "name": organisation.name,
    }
    return Draft(resource, local_address, path, identity=number)


def _parties(message: ReferralMessage) -> list[Draft]:
    patient, physician = message.patient, message.physician
    patient_number = (sid("patient", message.laboratory.id), patient.id)
    physician_number = (sid("practitioner", physician.practice.id), physician.id)
    person: Resource = {
        "resourceType": "Patient",
        "identifier": [identifier(*patient_number)],
        "name": [{"use": "official", "family": patient.family_name, "given": [patient.given_name]}],
        "gender": patient.sex,
        "birthDate": patient.birth_date,
        "managingOrganization": ref(_LABORATORY),
    }
    doctor: Resource = {
        "resourceType": "Practitioner",
        "identifier": [identifier(*physician_number)],
        "name": [{"family": physician.family_name, "given": [physician.given_name]}],
    }
    return [
        organisation_draft(message.laboratory, _LABORATORY, "laboratory"),
        organisation_draft(physician.practice, _PRACTICE, "physician.practice"),
        organisation_draft(message.dental_office, _DENTAL, "dental_office"),
        Draft(person, _PATIENT, "patient", "patient.birth_date", identity=patient_number),
        Draft(doctor, _PHYSICIAN, "physician", identity=physician_number),
    ]


def _condition(message: ReferralMessage, diagnosis: Diagnosis) -> Draft:
    number = (sid("referral-diagnosis", message.physician.practice.id), message.referral_number)
    system = ICD10CM if diagnosis.system == "icd-10-cm" else SNOMED
    clinical = "http://terminology.hl7.org/CodeSystem/condition-clinical"
    verification = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
    resource: Resource = {
        "resourceType": "Condition",
        "identifier": [identifier(*number)],
        "clinicalStatus": {"coding": [{"system": clinical, "code": "active"}]},
        "verificationStatus": {"coding": [{"system": verification, "code": "confirmed"}]},
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/condition-category",
                        "code": "encounter-diagnosis",
                    }
                ]
            }
        ],
        "code": {
            "coding": [{"system": system, "code": diagnosis.code}],
            "text": diagnosis.text or OBSTRUCTIVE_SLEEP_APNOEA.display,
        },
        "subject": ref(_PATIENT),
        "asserter": ref(_PHYSICIAN),
        "recordedDate": message.referred_on,
    }
    if not diagnosis.text and diagnosis.code not in (OBSTRUCTIVE_SLEEP_APNOEA.code, "G47.33"):
        del resource["code"]["text"]
    return Draft(resource, _DIAGNOSIS, "diagnosis", identity=number, revision=message.revision, revises=True)


def _history(message: ReferralMessage) -> list[Draft]:
    """Epworth total before treatment and history of positive airway pressure, as Observations."""
    owner = message.physician.practice.id
    common: Resource = {
        "resourceType": "Observation",
        "status": "final",
        "subject": ref(_PATIENT),
        "basedOn": [ref(_REFERRAL)],
    }
    drafts: list[Draft] = []
    if message.epworth_total is not None:
        number = (sid("referral-epworth", owner), message.referral_number)
        resource = {
            **common,
            "identifier": [identifier(*number)],
            "category": [SURVEY_CATEGORY.concept],
            "code": local("epworth-total").concept,
            "effectiveDateTime": message.epworth_on or message.referred_on,
            "valueInteger": message.epworth_total,
        }
        drafts.append(_kept(resource, "urn:new:epworth", "epworth_total", "epworth_on", number, message.revision))
    if message.pap_history:
        number = (sid("referral-pap-history", owner), message.referral_number)
        resource = {
            **common,
            "identifier": [identifier(*number)],
            "category": [PROCEDURE_CATEGORY.concept],
            "code": local("pap-history").concept,
            "effectiveDateTime": message.referred_on,
            "valueCodeableConcept": {"text": message.pap_history},
        }
        drafts.append(_kept(resource, "urn:new:pap", "pap_history", "referred_on", number, message.revision))
    return drafts


def _kept(resource: Resource, address: str, path: str, date_path: str, number: tuple[str, str], revision: int) -> Draft:
    return Draft(resource, address, path, date_path, identity=number, revision=revision, revises=True)


def _service_request(message: ReferralMessage, supporting: list[Resource]) -> Draft:
    number = (sid("referral-number", message.physician.practice.id), message.referral_number)
    resource: Resource = {
        "resourceType": "ServiceRequest",
        "identifier": [identifier(*number)],
        "status": "active",
        "intent": "order",
        "code": {"coding": [DENTAL_REFERRAL.coding, local("oral-appliance-therapy").coding]},
        "subject": ref(_PATIENT),
        "authoredOn": message.referred_on,
        "requester": ref(_PHYSICIAN),
        "performer": [ref(_DENTAL)],
    }
    if message.diagnosis:
        resource["reasonReference"] = [ref(_DIAGNOSIS)]
    if supporting:
        resource["supportingInfo"] = supporting
    if message.note:
        resource["note"] = [{"text": message.note}]
    return _kept(resource, _REFERRAL, "", "referred_on", number, message.revision)
