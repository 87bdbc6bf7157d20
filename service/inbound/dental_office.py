"""What a dental office sends beside progress: referral state, dental assessment, appliance."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, component, quantity, ref
from service.fhir.codes import EXAM_CATEGORY, OVERJET, PROCEDURE_CATEGORY, local
from service.fhir.referral_task import FULFILLER
from service.inbound.entries import entry_draft, observation
from service.inbound.plain import Day, DayOrTime, Entry, Mapped, Move, Plain, Text, Within, checked
from service.rules import limits


class StateMessage(Plain):
    """How the dental office answers the referral and moves it along."""

    state: Literal["received", "accepted", "rejected", "in-progress", "on-hold", "completed", "failed"]
    on: DayOrTime
    reason: Text | None = None


class AssessmentMessage(Entry):
    """The dentist's examination. Lengths in mm; teeth counted per arch."""

    assessed_on: DayOrTime
    protrusive_range_mm: Annotated[Decimal, Within(limits.RANGE_MM)] | None = None
    teeth_upper: Annotated[int, Within(limits.TEETH_IN_ARCH)] | None = None
    teeth_lower: Annotated[int, Within(limits.TEETH_IN_ARCH)] | None = None
    mobile_teeth: bool | None = None
    active_tmj_disorder: bool | None = None
    overjet_mm: Annotated[Decimal, Within(limits.OVERBITE_MM)] | None = None
    overbite_mm: Annotated[Decimal, Within(limits.OVERBITE_MM)] | None = None
    licensed_dentist: bool | None = None


class ApplianceMessage(Entry):
    """A delivered appliance, its limits in mm from the starting position, and the end of its use."""

    delivered_on: Day
    ended_on: Day | None = None
    maximum_advance_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)] | None = None
    smallest_step_mm: Annotated[Decimal, Within(limits.STEP_MM)] | None = None
    starting_position_mm: Annotated[Decimal, Within(limits.POSITION_MM)] | None = None


def map_state(body: dict[str, Any]) -> Mapped:
    """A move of the referral by the dental office."""
    message = checked(StateMessage, body)
    return Mapped([], Move(message.state, FULFILLER, message.on, message.reason or ""), agent=FULFILLER)


def map_assessment(body: dict[str, Any], case_number: str) -> Mapped:
    """A dental assessment as one Observation with a component per finding; the dentist's licence as another."""
    entry = checked(AssessmentMessage, body)
    lengths = (
        (local("protrusive-range"), entry.protrusive_range_mm),
        (OVERJET, entry.overjet_mm),
        (local("overbite"), entry.overbite_mm),
    )
    parts = [component(code, "valueQuantity", quantity(v, "mm")) for code, v in lengths if v is not None]
    for code, number in (("teeth-upper", entry.teeth_upper), ("teeth-lower", entry.teeth_lower)):
        if number is not None:
            parts.append(component(local(code), "valueInteger", number))
    for code, found in (("mobile-teeth", entry.mobile_teeth), ("active-tmj-disorder", entry.active_tmj_disorder)):
        if found is not None:
            parts.append(component(local(code), "valueBoolean", found))
    resource = observation("dental-assessment", EXAM_CATEGORY.concept, entry.assessed_on)
    if parts:
        resource["component"] = parts
    first = entry_draft(resource, entry, case_number, "assessment", "", "assessed_on")
    return Mapped([first, *_licence(entry, case_number, first.local)], agent=FULFILLER)


def _licence(entry: AssessmentMessage, case_number: str, assessment: str) -> list[Draft]:
    """Whether a licensed dentist provides the appliance; a correction that no longer says so withdraws it."""
    resource = observation("coverage-documentation", PROCEDURE_CATEGORY.concept, entry.assessed_on)
    if entry.licensed_dentist is not None:
        part = component(local("provided-by-licensed-dentist"), "valueBoolean", entry.licensed_dentist)
        resource["component"] = [part]
    draft = entry_draft(resource, entry, case_number, "assessment-licence", "licensed_dentist", "assessed_on")
    draft.withdraws, draft.goes_with = entry.licensed_dentist is None or entry.entered_in_error, assessment
    return [draft] if not draft.withdraws or entry.order > 1 else []


def map_appliance(body: dict[str, Any], case_number: str) -> Mapped:
    """A delivered appliance as Device and DeviceUseStatement; delivery begins the work on the referral."""
    entry = checked(ApplianceMessage, body)
    lengths = (
        ("maximum-advance", entry.maximum_advance_mm),
        ("smallest-step", entry.smallest_step_mm),
        ("starting-position", entry.starting_position_mm),
    )
    device: Resource = {
        "resourceType": "Device",
        "status": "entered-in-error" if entry.entered_in_error else "active",
        "type": local("oral-appliance").concept,
        "patient": ref(CASE_PATIENT),
    }
    properties = [
        {"type": local(code).concept, "valueQuantity": [quantity(v, "mm")]} for code, v in lengths if v is not None
    ]
    if properties:
        device["property"] = properties
    period = {"start": entry.delivered_on} | ({"end": entry.ended_on} if entry.ended_on else {})
    status = "entered-in-error" if entry.entered_in_error else "completed" if entry.ended_on else "active"
    use: Resource = {
        "resourceType": "DeviceUseStatement",
        "status": status,
        "subject": ref(CASE_PATIENT),
        "basedOn": [ref(CASE_REFERRAL)],
        "timingPeriod": period,
    }
    first = entry_draft(device, entry, case_number, "appliance", "", "delivered_on")
    second = entry_draft(use, entry, case_number, "appliance-use", "", "delivered_on")
    second.resource["device"] = ref(first.local)
    move = None if entry.entered_in_error else Move("in-progress", FULFILLER, entry.delivered_on)
    return Mapped([first, second], move, agent=FULFILLER)
