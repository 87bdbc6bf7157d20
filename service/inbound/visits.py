"""A follow-up visit that took place, told by the office where it was."""

from __future__ import annotations

from typing import Any

from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, encounter, identifier, ref, sid
from service.fhir.codes import local
from service.fhir.referral_task import FULFILLER, PLACER
from service.inbound.plain import Day, Entry, Mapped, OfficeChoice, checked

_KINDS = {"dentist": ("dental-visit", FULFILLER), "physician": ("physician-visit", PLACER)}


class VisitMessage(Entry):
    """A follow-up visit of the patient, at the dental office or at the physician's."""

    visited_on: Day
    office: OfficeChoice


def map_visit(body: dict[str, Any], case_number: str) -> Mapped:
    """The visit as an Encounter; each office counts its own entries."""
    entry = checked(VisitMessage, body)
    code, role = _KINDS[entry.office]
    number = (sid(f"{code}-entry", case_number), entry.entry_id)
    resource: Resource = {
        **encounter(local(code), ref(CASE_PATIENT), entry.visited_on, withdrawn=entry.entered_in_error),
        "identifier": [identifier(*number)],
        "basedOn": [ref(CASE_REFERRAL)],
    }
    draft = Draft(resource, "urn:new:visit", "", "visited_on", identity=number, revision=entry.order, revises=True)
    return Mapped([draft], agent=role)
