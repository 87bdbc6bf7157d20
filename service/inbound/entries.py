"""Entries of an office as resources: Observations about the case, and drafts known by the entry's number."""

from __future__ import annotations

from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, identifier, ref, sid
from service.fhir.codes import local
from service.inbound.plain import Entry


def observation(code: str, category: Resource, effective: str) -> Resource:
    """An Observation about the patient of the case, under one of our codes."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "category": [category],
        "code": local(code).concept,
        "subject": ref(CASE_PATIENT),
        "basedOn": [ref(CASE_REFERRAL)],
        "effectiveDateTime": effective,
    }


def entry_draft(resource: Resource, entry: Entry, case_number: str, kind: str, path: str, date_path: str) -> Draft:
    """A draft known by its entry number within the case; withdrawn when entered in error."""
    number = (sid(f"{kind}-entry", case_number), entry.entry_id)
    named: Resource = {"resourceType": resource["resourceType"]}
    held = identifier(*number)
    named["identifier"] = held if resource["resourceType"] == "QuestionnaireResponse" else [held]
    if entry.entered_in_error:
        resource["status"] = "entered-in-error"
    address = f"urn:entry:{kind}:{entry.entry_id}"
    return Draft(
        {**named, **resource},
        address,
        path,
        date_path,
        _field_paths(kind, path),
        identity=number,
        revision=entry.order,
        revises=True,
    )


_FIELDS = {
    "setting": {"setting": "advance_left_mm"},
    "red-flag": {"kind": "kind", "office": "resolved_on", "action": "action_taken"},
    "red-flag-closure": {"office": "office", "action": "action_taken"},
    "assessment": {"range": "protrusive_range_mm"},
    "appliance": {"start": "starting_position_mm"},
}
"""The field of an entry that a refusal is about, by the kind of the entry."""


def _field_paths(kind: str, path: str) -> dict[str, str]:
    fields = next((f for end, f in _FIELDS.items() if kind == end or kind.endswith(f"-{end}")), {})
    return {about: f"{path}.{name}".removeprefix(".") for about, name in fields.items()}
