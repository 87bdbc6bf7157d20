"""What a sleep laboratory sends: a referral with its baseline test, and efficacy-test results."""

from __future__ import annotations

from typing import Any

from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, CASE_REPLACED, Draft, Resource, identifier, ref, sid
from service.fhir.codes import DENTAL_REFERRAL, local
from service.fhir.telephone import telecom
from service.inbound.plain import Mapped, Organisation, Plain, checked
from service.inbound.referral_message import ReferralMessage
from service.inbound.referral_parts import DIAGNOSIS, PATIENT, PHYSICIAN, REFERRAL, referral_parts
from service.inbound.sleep_test import sleep_test_drafts
from service.inbound.sleep_test_message import EfficacyTestMessage, SleepTestMessage

_LABORATORY, _PRACTICE, _DENTAL, _TESTER = (
    "urn:new:laboratory",
    "urn:new:practice",
    "urn:new:dental-office",
    "urn:new:tester",
)


class ResultMessage(Plain):
    """An efficacy-test result from a laboratory."""

    laboratory: Organisation
    test: EfficacyTestMessage


def map_referral(body: dict[str, Any]) -> Mapped:
    """A referral as drafts: patient, organisations, physician, diagnosis, baseline test, ServiceRequest."""
    message = checked(ReferralMessage, body)
    drafts = _parties(message)
    supporting: list[Resource] = []
    if message.baseline_test:
        told = {
            message.dental_office.id: _DENTAL,
            message.physician.practice.id: _PRACTICE,
            message.laboratory.id: _LABORATORY,
        }
        made_by, tester = _tester(message.baseline_test, told, "baseline_test")
        drafts.extend(made_by)
        drafts.extend(
            sleep_test_drafts(
                message.baseline_test,
                laboratory=message.laboratory.id,
                subject=PATIENT,
                referral=REFERRAL,
                performer=_LABORATORY,
                tester=tester,
                path="baseline_test",
            )
        )
        supporting.append(ref(drafts[-1].local))
    parts = referral_parts(message)
    drafts.extend(parts)
    supporting.extend(ref(part.local) for part in parts if not part.withdraws and part.local != DIAGNOSIS)
    drafts.append(_service_request(message, supporting))
    replaces = (message.replaces, _number(message, message.replaces)) if message.replaces else None
    return Mapped(drafts, agent=f"{message.laboratory.name} ({message.laboratory.id})", replaces=replaces)


def _number(message: ReferralMessage, number: str) -> tuple[str, str]:
    """The identity of a referral of this practice, by its number."""
    return sid("referral-number", message.physician.practice.id), number


def map_result(body: dict[str, Any]) -> Mapped:
    """An efficacy-test result as drafts."""
    message = checked(ResultMessage, body)
    laboratory = organisation_draft(message.laboratory, _LABORATORY, "laboratory")
    made_by, tester = _tester(message.test, {message.laboratory.id: _LABORATORY}, "test")
    tests = sleep_test_drafts(
        message.test,
        laboratory=message.laboratory.id,
        subject=CASE_PATIENT,
        referral=CASE_REFERRAL,
        performer=_LABORATORY,
        tester=tester,
        path="test",
    )
    return Mapped([laboratory, *made_by, *tests], agent=f"{message.laboratory.name} ({message.laboratory.id})")


def _tester(test: SleepTestMessage, told: dict[str, str], path: str) -> tuple[list[Draft], str]:
    """The organisation that made the test and its address: one of those `told` already, by number, or one more."""
    if test.performed_by is None:
        return [], _LABORATORY
    if test.performed_by.id in told:
        return [], told[test.performed_by.id]
    return [organisation_draft(test.performed_by, _TESTER, f"{path}.performed_by")], _TESTER


def organisation_draft(organisation: Organisation, local_address: str, path: str) -> Draft:
    """An organisation known by its number; its first record stays."""
    number = (sid("organization"), organisation.id)
    resource: Resource = {
        "resourceType": "Organization",
        "identifier": [identifier(*number)],
        "active": True,
        "name": organisation.name,
    }
    if organisation.telephone:
        resource["telecom"] = telecom(organisation.telephone)
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
        Draft(person, PATIENT, "patient", "patient.birth_date", identity=patient_number),
        Draft(doctor, PHYSICIAN, "physician", identity=physician_number),
    ]


def _service_request(message: ReferralMessage, supporting: list[Resource]) -> Draft:
    number = _number(message, message.referral_number)
    resource: Resource = {
        "resourceType": "ServiceRequest",
        "identifier": [identifier(*number)],
        "status": "active",
        "intent": "order",
        "code": {"coding": [DENTAL_REFERRAL.coding, local("oral-appliance-therapy").coding]},
        "subject": ref(PATIENT),
        "authoredOn": message.referred_on,
        "requester": ref(PHYSICIAN),
        "performer": [ref(_DENTAL)],
    }
    if message.replaces:
        resource["replaces"] = [ref(CASE_REPLACED)]
    if message.diagnosis:
        resource["reasonReference"] = [ref(DIAGNOSIS)]
    if supporting:
        resource["supportingInfo"] = supporting
    if message.note:
        resource["note"] = [{"text": message.note}]
    return Draft(resource, REFERRAL, "", "referred_on", identity=number, revision=message.revision, revises=True)
