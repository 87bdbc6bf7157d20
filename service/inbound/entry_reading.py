"""Entries read back: from a stored resource the fields of the plain message it came from, for showing and correcting.

The other way round than `dental_office.py`, `progress.py`, `red_flag_closures.py`, `physician.py` and `visits.py`; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from service.fhir.build import Resource, sid
from service.fhir.check_in import LINK_IDS, QUESTIONNAIRE
from service.fhir.codes import OVERJET, has_code, local_code_of

Fields = dict[str, Any]


@dataclass(frozen=True, slots=True)
class EntryPart:
    """What one resource tells of an entry: its kind, its number where it came by plain message, its fields."""

    kind: str
    entry_id: str
    fields: Fields
    withdrawn: bool


SYSTEMS: dict[str, tuple[tuple[str, str], ...]] = {
    "assessment": (("Observation", "assessment-entry"), ("Observation", "assessment-licence-entry")),
    "appliance": (("Device", "appliance-entry"), ("DeviceUseStatement", "appliance-use-entry")),
    "setting": (("Observation", "setting-entry"),),
    "check-in": (("QuestionnaireResponse", "check-in-entry"),),
    "side-effect": (("Observation", "side-effect-entry"),),
    "red-flag": (("Observation", "red-flag-entry"),),
    "visit": (("Encounter", "dental-visit-entry"), ("Encounter", "physician-visit-entry")),
    "red-flag-closure": (
        ("Observation", "dentist-red-flag-closure-entry"),
        ("Observation", "physician-red-flag-closure-entry"),
    ),
    "physician-decision": (("Observation", "physician-decision-entry"),),
}
"""The resources of each kind of entry: their type and the identifier system that holds the entry's number."""


def identities_of(kind: str, case_number: str, entry_id: str) -> list[tuple[str, str, str]]:
    """(type, system, value) of the resources that an entry of a case may have become."""
    return [(type_, sid(system, case_number), entry_id) for type_, system in SYSTEMS[kind]]


def part_of(resource: Resource) -> EntryPart | None:
    """The part of an entry that a resource tells; None when it is no entry."""
    kind_fields = _read(resource)
    if kind_fields is None:
        return None
    kind, fields = kind_fields
    withdrawn = resource.get("status") == "entered-in-error"
    return EntryPart(kind, _number(resource, kind), {k: v for k, v in fields.items() if v is not None}, withdrawn)


def _number(resource: Resource, kind: str) -> str:
    held = resource.get("identifier", [])
    for one in held if isinstance(held, list) else [held]:
        for _, system in SYSTEMS.get(kind, ()):
            if str(one.get("system", "")).startswith(sid(system, "")):
                return str(one.get("value", ""))
    return ""


def _read(resource: Resource) -> tuple[str, Fields] | None:
    kind = resource.get("resourceType")
    if kind == "QuestionnaireResponse":
        answers_ours = str(resource.get("questionnaire", "")).split("|")[0] == QUESTIONNAIRE
        return ("check-in", _check_in(resource)) if answers_ours else None
    if kind == "Device":
        return "appliance", _device(resource)
    if kind == "DeviceUseStatement":
        period = resource.get("timingPeriod", {})
        return "appliance", {"delivered_on": period.get("start"), "ended_on": period.get("end")}
    if kind == "Encounter":
        return _visit(resource)
    if kind == "Observation":
        code = local_code_of(resource.get("code"))
        found = _OBSERVATIONS.get(code or "")
        return (found[0], found[1](resource)) if found else None
    return None


def _parts(resource: Resource) -> Fields:
    """Components by local code (or «overjet»), each with whatever value it has."""
    found: Fields = {}
    for part in resource.get("component", []):
        name = "overjet" if has_code(part.get("code"), OVERJET) else local_code_of(part.get("code"))
        if name:
            found[name] = _value(part)
    return found


def _value(holder: Resource) -> Any:
    for key in ("valueQuantity", "valueInteger", "valueBoolean", "valueDateTime", "valueDecimal", "valueString"):
        if key in holder:
            return holder[key].get("value") if key == "valueQuantity" else holder[key]
    return local_code_of(holder.get("valueCodeableConcept"))


def _named(names: dict[str, str]) -> Callable[[Resource], Fields]:
    """Fields from components: the field's name by the component's code; `on` names the field of the day."""

    def read(resource: Resource) -> Fields:
        parts = _parts(resource)
        day = {names["on"]: resource.get("effectiveDateTime")}
        return day | {field: parts.get(code) for code, field in names.items() if code != "on"}

    return read


def _kind_named(names: dict[str, str]) -> Callable[[Resource], Fields]:
    read = _named(names)

    def with_kind(resource: Resource) -> Fields:
        concept = resource.get("valueCodeableConcept", {})
        return {**read(resource), "kind": local_code_of(concept) or concept.get("text")}

    return with_kind


def _decision(resource: Resource) -> Fields:
    parts = _parts(resource)
    return {
        "decided_on": resource.get("effectiveDateTime"),
        "decision": local_code_of(resource.get("valueCodeableConcept")),
        "own_reading": parts.get("own-reading"),
        "responsible": parts.get("responsible-office"),
        "start_by": parts.get("start-by"),
    }


def _check_in(resource: Resource) -> Fields:
    by_link = {item.get("linkId"): item for item in resource.get("item", [])}
    found: Fields = {"reported_on": resource.get("authored")}
    for name, link in LINK_IDS.items():
        given = by_link.get(link, {}).get("answer", [])
        field = f"{name}_0_to_10" if name in ("snoring", "restedness") else name
        found[field] = (
            ([_value(one) for one in given] if name == "health_changes" else _value(given[0])) if given else None
        )
    return found


def _device(resource: Resource) -> Fields:
    found: Fields = {}
    for held in resource.get("property", []):
        name, values = local_code_of(held.get("type")), held.get("valueQuantity", [])
        if name and values:
            found[f"{name.replace('-', '_')}_mm"] = values[0].get("value")
    return found


def _visit(resource: Resource) -> tuple[str, Fields] | None:
    kinds = [local_code_of(k) for k in resource.get("type", [])]
    office = next((o for k, o in (("dental-visit", "dentist"), ("physician-visit", "physician")) if k in kinds), None)
    if office is None:
        return None
    return "visit", {"visited_on": resource.get("period", {}).get("start"), "office": office}


_OBSERVATIONS: dict[str, tuple[str, Callable[[Resource], Fields]]] = {
    "protrusion-setting": (
        "setting",
        _named(
            {
                "on": "set_on",
                "advance-left": "advance_left_mm",
                "advance-right": "advance_right_mm",
                "percent-of-protrusive-range": "percent_of_protrusive_range",
                "difference-intended": "difference_intended",
                "taken-back-for-side-effect": "taken_back_for_side_effect",
                "setting-reason": "reason",
                "no-further-reason": "no_further_reason",
            }
        ),
    ),
    "dental-assessment": (
        "assessment",
        _named(
            {
                "on": "assessed_on",
                "protrusive-range": "protrusive_range_mm",
                "overjet": "overjet_mm",
                "overbite": "overbite_mm",
                "teeth-upper": "teeth_upper",
                "teeth-lower": "teeth_lower",
                "mobile-teeth": "mobile_teeth",
                "active-tmj-disorder": "active_tmj_disorder",
            }
        ),
    ),
    "coverage-documentation": (
        "assessment",
        _named({"on": "assessed_on", "provided-by-licensed-dentist": "licensed_dentist"}),
    ),
    "side-effect": (
        "side-effect",
        _kind_named({"on": "reported_on", "side-effect-grade": "grade_0_to_3", "onset": "onset", "end": "ended_on"}),
    ),
    "red-flag": (
        "red-flag",
        _kind_named(
            {
                "on": "reported_on",
                "end": "resolved_on",
                "closed-by": "resolved_by",
                "action-taken": "action_taken",
            }
        ),
    ),
    "red-flag-closure": (
        "red-flag-closure",
        _kind_named(
            {"on": "closed_on", "closing-office": "office", "closed-by": "closed_by", "action-taken": "action_taken"}
        ),
    ),
    "physician-decision": ("physician-decision", _decision),
}
