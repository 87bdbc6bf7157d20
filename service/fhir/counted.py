"""Whether what a resource tells counts as a fact, by its modifiers; what is kept and not counted is said as such.

What counts is part of how resources are read: `READING` in `facts_shape.py` is raised with the table of the modifiers.
"""

from __future__ import annotations

from datetime import date

from service.fhir.build import Resource
from service.fhir.dates import day_of
from service.fhir.modifiers import UNKNOWN, ModifierEffect, Standing, standing_of
from service.fhir.reading import Small, StoredFact
from service.rules.not_counted import NotCounted
from service.rules.patient_record import ClosingRecord, OutOfCare

NOT_COUNTED, CLOSING_RECORD = "not-counted", "closing-record"
"""Kinds of small facts."""

_NEVER_LOST = ("device", "red-flag", "side-effect")
"""Limits and warnings: a status alone, as an earlier release took it, takes none of them away."""
_MOVED = ("task", "cancellation-request", CLOSING_RECORD)
_WHAT = {
    "measure": "measure of a sleep test",
    "appliance-use": "use of an appliance",
    "assessment": "dental assessment",
    "physician-decision": "decision of the physician",
    "pap-history": "history of PAP treatment",
    "evaluation": "face-to-face evaluation",
    "documentation": "documentation for a payer",
    "test-order": "order of an efficacy test",
    "red-flag-closure": "closure of a red flag",
    "device": "measurements of the appliance",
}
_DAYS = ("day", "visited_on", "delivered_on")


def counted(resource: Resource, small: Small | None) -> Small | None:
    """The small fact of a resource, or what is said of it when its modifiers keep it from being counted."""
    if small is None or small.get("kind") in _MOVED:
        return small
    standing = standing_of(resource)
    if standing.effect not in (ModifierEffect.NOT_COUNTED, ModifierEffect.REFUSED):
        return small
    if small["kind"] in _NEVER_LOST and standing.element not in UNKNOWN:
        return small
    return {"kind": NOT_COUNTED, "what": _what(small), "status": _status(standing), "day": _day(resource, small)}


def _what(small: Small) -> str:
    if small["kind"] == "sleep-test":
        return f"{small['purpose']} test"
    return _WHAT.get(small["kind"], str(small["kind"]).replace("-", " "))


def _status(standing: Standing) -> str:
    return "marked as not to be done" if standing.element == "doNotPerform" else standing.value


def _day(resource: Resource, small: Small) -> str | None:
    told = [small[key] for key in _DAYS if small.get(key)] or [resource.get("effectiveDateTime")]
    try:
        return day_of(str(told[0])[:10]).isoformat()
    except ValueError:
        return None


def closing_record(patient: Resource, told_on: str) -> Small | None:
    """What a Patient says that closes the patient's cases; None while it says nothing of the kind.

    `told_on` is the day on which this version of it was stored. A record with a modifier that is not known here closes
    nothing: it cannot be understood.
    """
    standing = standing_of(patient)
    if standing.effect is not ModifierEffect.CLOSES:
        return None
    died = patient.get("deceasedBoolean") is True or any(key.lstrip("_") == "deceasedDateTime" for key in patient)
    why = OutOfCare.DIED if died else OutOfCare.INACTIVE if patient.get("active") is False else OutOfCare.REPLACED
    small: Small = {"kind": CLOSING_RECORD, "why": why.value, "told_on": told_on[:10]}
    try:
        return small | {"died_on": day_of(str(patient.get("deceasedDateTime"))[:10]).isoformat()}
    except ValueError:
        return small


def not_counted_of(fact: StoredFact) -> NotCounted:
    """What is kept and not counted, from its small fact."""
    told = fact.small.get("day")
    return NotCounted(fact.source, fact.small["what"], fact.small["status"], date.fromisoformat(told) if told else None)


def closing_record_of(fact: StoredFact) -> ClosingRecord:
    """A patient's record that closes the case, from its small fact."""
    s = fact.small
    died = date.fromisoformat(s["died_on"]) if s.get("died_on") else None
    return ClosingRecord(fact.source, OutOfCare(s["why"]), date.fromisoformat(s["told_on"]), died)
