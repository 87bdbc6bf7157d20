"""Whether what a resource reports counts as a fact, by its modifiers; what is on record and not counted is named.

What counts is part of how resources are read: `FACTS_SCHEMA` in `facts_shape.py` is raised with the table of the modifiers.
"""

from __future__ import annotations

from datetime import date

from service.fhir.build import Resource
from service.fhir.dates import day_of
from service.fhir.facts.fact import Fact, Reported, Unread, day_reported, kind_of
from service.fhir.facts.referral import ClosingRecordFact, NotCountedFact
from service.fhir.facts.sleep_tests import SleepTestFact
from service.fhir.facts.words import FactKind
from service.fhir.modifiers import UNKNOWN, ModifierEffect, Standing, standing_of
from service.rules.patient_record import OutOfCare

_NEVER_LOST = (FactKind.DEVICE, FactKind.RED_FLAG, FactKind.SIDE_EFFECT)
"""Limits and warnings: a status alone, as an earlier release accepted it, takes none of them away."""
_MOVED = (FactKind.TASK, FactKind.CANCELLATION, FactKind.CLOSING_RECORD)
_OF_A_TEST = "measure of a sleep test"
_WHAT = {
    FactKind.INDEX: _OF_A_TEST,
    FactKind.DESATURATION_INDEX: _OF_A_TEST,
    FactKind.MEASURE: _OF_A_TEST,
    FactKind.APPLIANCE_USE: "use of an appliance",
    FactKind.ASSESSMENT: "dental assessment",
    FactKind.PHYSICIAN_DECISION: "decision of the physician",
    FactKind.PAP_HISTORY: "history of PAP treatment",
    FactKind.EVALUATION: "face-to-face evaluation",
    FactKind.DOCUMENTATION: "documentation for a payer",
    FactKind.TEST_ORDER: "order of an efficacy test",
    FactKind.RED_FLAG_CLOSURE: "closure of a red flag",
    FactKind.DEVICE: "measurements of the appliance",
}


def counted(resource: Resource, reported: Reported | None) -> Fact | None:
    """The fact of a resource, or that it is not counted when its modifiers say so; None for one that cannot be read."""
    if reported is None:
        return None
    fact = None if isinstance(reported, Unread) else reported
    kind = kind_of(reported)
    if kind in _MOVED:
        return fact
    standing = standing_of(resource)
    if standing.effect not in (ModifierEffect.NOT_COUNTED, ModifierEffect.REFUSED):
        return fact
    if kind in _NEVER_LOST and standing.element not in UNKNOWN:
        return fact
    return NotCountedFact(what=_what(reported), status=_status(standing), day=_day(resource, reported))


def _what(reported: Reported) -> str:
    if isinstance(reported, SleepTestFact):
        return f"{reported.purpose.value} test"
    kind = kind_of(reported)
    return _WHAT.get(kind, kind.value.replace("-", " "))


def _status(standing: Standing) -> str:
    return "marked as not to be done" if standing.element == "doNotPerform" else standing.value


def _day(resource: Resource, reported: Reported) -> date | None:
    day = day_reported(reported)
    if day is not None:
        return day
    try:
        return day_of(str(resource.get("effectiveDateTime"))[:10])
    except ValueError:
        return None


def closing_record(patient: Resource, stored_on: date) -> ClosingRecordFact | None:
    """What a Patient says that closes the patient's cases; None while it says nothing of the kind.

    `stored_on` is the day on which this version of it was stored. A record with a modifier that is not known here closes
    nothing: it cannot be understood.
    """
    if standing_of(patient).effect is not ModifierEffect.CLOSES:
        return None
    died = patient.get("deceasedBoolean") is True or any(key.lstrip("_") == "deceasedDateTime" for key in patient)
    why = OutOfCare.DIED if died else OutOfCare.INACTIVE if patient.get("active") is False else OutOfCare.REPLACED
    try:
        died_on = day_of(str(patient.get("deceasedDateTime"))[:10])
    except ValueError:
        died_on = None
    return ClosingRecordFact(why=why, stored_on=stored_on, died_on=died_on)
