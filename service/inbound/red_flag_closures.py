"""A red flag closed by an office that looked into it, told by that office."""

from __future__ import annotations

from typing import Any

from service.fhir.build import component
from service.fhir.codes import SURVEY_CATEGORY, local
from service.fhir.referral_task import FULFILLER, PLACER
from service.inbound.entries import entry_draft, observation
from service.inbound.plain import DayOrTime, Entry, FlagKind, Mapped, Name, OfficeChoice, Text, checked

_ROLES = {"dentist": FULFILLER, "physician": PLACER}


class RedFlagClosureMessage(Entry):
    """An office closes one kind of red flag: when, who did, and what was done about it."""

    kind: FlagKind
    closed_on: DayOrTime
    office: OfficeChoice
    closed_by: Name
    action_taken: Text


def map_red_flag_closure(body: dict[str, Any], case_number: str) -> Mapped:
    """The closure as an Observation; each office counts its own entries."""
    entry = checked(RedFlagClosureMessage, body)
    resource = observation("red-flag-closure", SURVEY_CATEGORY.concept, entry.closed_on)
    resource["valueCodeableConcept"] = local(entry.kind).concept
    resource["component"] = [
        component(local("closing-office"), "valueCodeableConcept", local(entry.office).concept),
        component(local("closed-by"), "valueString", entry.closed_by),
        component(local("action-taken"), "valueString", entry.action_taken),
    ]
    draft = entry_draft(resource, entry, case_number, f"{entry.office}-red-flag-closure", "", "closed_on")
    return Mapped([draft], agent=_ROLES[entry.office])
