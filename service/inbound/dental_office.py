"""What a dental office sends: referral state, dental assessment, appliance, progress."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import Field

from service.errors import Refused
from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, component, identifier, quantity, ref, sid
from service.fhir.check_in import QUESTIONNAIRE, answers, with_derived
from service.fhir.codes import EXAM_CATEGORY, OVERJET, PROCEDURE_CATEGORY, SURVEY_CATEGORY, THERAPY_CATEGORY, local
from service.fhir.referral_task import FULFILLER
from service.inbound.plain import KIND, Day, DayOrTime, Entry, Mapped, Move, Plain, Text, Within, checked, twice
from service.rules import limits

_Grade = Annotated[int, Within(limits.SIDE_EFFECT_GRADE)]
_Scale = Annotated[Decimal, Within(limits.SCALE_0_TO_10)]


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


class SettingEntry(Entry):
    """One setting: mm advanced from the starting position, each side."""

    set_on: DayOrTime
    advance_left_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)]
    advance_right_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)]
    percent_of_protrusive_range: Annotated[Decimal, Within(limits.SHARE_PERCENT)] | None = None
    difference_intended: bool = False
    taken_back_for_side_effect: bool = False


class CheckInEntry(Entry):
    """The patient's report. Scales 0 to 10 (10 = loudest; 10 = fully rested)."""

    reported_on: DayOrTime
    reported_by: Literal["patient", "bed-partner", "sensor"] = "patient"
    snoring_0_to_10: _Scale | None = None
    restedness_0_to_10: _Scale | None = None
    epworth_total: Annotated[int, Within(limits.EPWORTH_TOTAL)] | None = None
    nights_reported: Annotated[int, Within(limits.NIGHTS)] | None = None
    nights_worn: Annotated[int, Within(limits.NIGHTS)] | None = None
    hours_per_night: Annotated[Decimal, Within(limits.HOURS_PER_NIGHT)] | None = None
    hours_slept_per_night: Annotated[Decimal, Within(limits.HOURS_PER_NIGHT)] | None = None
    witnessed_pauses: bool | None = None
    weight_kg: Annotated[Decimal, Within(limits.WEIGHT_KG)] | None = None


class SideEffectEntry(Entry):
    """A side effect: kind, grade 0 to 3 (none, mild, moderate, severe), onset and end."""

    reported_on: DayOrTime
    kind: Annotated[str, Field(pattern=KIND)]
    grade_0_to_3: _Grade
    onset: Day | None = None
    ended_on: Day | None = None


class RedFlagEntry(Entry):
    """A finding that stops titration until someone has looked."""

    reported_on: DayOrTime
    kind: Literal[
        "locked-jaw", "loose-tooth", "broken-appliance", "drowsy-driving", "worse-sleepiness", "worse-oximetry"
    ]
    resolved_on: Day | None = None


class ProgressMessage(Plain):
    """Titration progress: any number of settings, check-ins, side effects and red flags."""

    settings: Annotated[tuple[SettingEntry, ...], Field(max_length=100, strict=False)] = ()
    check_ins: Annotated[tuple[CheckInEntry, ...], Field(max_length=100, strict=False)] = ()
    side_effects: Annotated[tuple[SideEffectEntry, ...], Field(max_length=100, strict=False)] = ()
    red_flags: Annotated[tuple[RedFlagEntry, ...], Field(max_length=100, strict=False)] = ()


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
    resource = _observation("dental-assessment", EXAM_CATEGORY.concept, entry.assessed_on)
    if parts:
        resource["component"] = parts
    first = _entry_draft(resource, entry, case_number, "assessment", "", "assessed_on")
    return Mapped([first, *_licence(entry, case_number, first.local)], agent=FULFILLER)


def _licence(entry: AssessmentMessage, case_number: str, assessment: str) -> list[Draft]:
    """Whether a licensed dentist provides the appliance; a correction that no longer says so withdraws it."""
    resource = _observation("coverage-documentation", PROCEDURE_CATEGORY.concept, entry.assessed_on)
    if entry.licensed_dentist is not None:
        part = component(local("provided-by-licensed-dentist"), "valueBoolean", entry.licensed_dentist)
        resource["component"] = [part]
    draft = _entry_draft(resource, entry, case_number, "assessment-licence", "licensed_dentist", "assessed_on")
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
    first = _entry_draft(device, entry, case_number, "appliance", "", "delivered_on")
    second = _entry_draft(use, entry, case_number, "appliance-use", "", "delivered_on")
    second.resource["device"] = ref(first.local)
    move = None if entry.entered_in_error else Move("in-progress", FULFILLER, entry.delivered_on)
    return Mapped([first, second], move, agent=FULFILLER)


def map_progress(body: dict[str, Any], case_number: str) -> Mapped:
    """Titration progress as Observations and QuestionnaireResponses."""
    message = checked(ProgressMessage, body)
    problems = [p for name in type(message).model_fields for p in twice(name, getattr(message, name))]
    if problems:
        raise Refused(problems)
    drafts: list[Draft] = []
    for index, entry in enumerate(message.settings):
        path = f"settings[{index}]"
        drafts.append(_entry_draft(_setting(entry), entry, case_number, "setting", path, f"{path}.set_on"))
    for index, entry in enumerate(message.check_ins):
        path = f"check_ins[{index}]"
        draft = _entry_draft(_check_in(entry), entry, case_number, "check-in", path, f"{path}.reported_on")
        drafts.extend(with_derived(draft))
    for index, entry in enumerate(message.side_effects):
        path = f"side_effects[{index}]"
        drafts.append(_entry_draft(_side_effect(entry), entry, case_number, "side-effect", path, f"{path}.reported_on"))
    for index, entry in enumerate(message.red_flags):
        path = f"red_flags[{index}]"
        drafts.append(_entry_draft(_red_flag(entry), entry, case_number, "red-flag", path, f"{path}.reported_on"))
    return Mapped(drafts, agent=FULFILLER)


def _observation(code: str, category: Resource, effective: str) -> Resource:
    return {
        "resourceType": "Observation",
        "status": "final",
        "category": [category],
        "code": local(code).concept,
        "subject": ref(CASE_PATIENT),
        "basedOn": [ref(CASE_REFERRAL)],
        "effectiveDateTime": effective,
    }


def _entry_draft(resource: Resource, entry: Entry, case_number: str, kind: str, path: str, date_path: str) -> Draft:
    """A draft known by its entry number within the case; withdrawn when entered in error."""
    number = (sid(f"{kind}-entry", case_number), entry.entry_id)
    named: Resource = {"resourceType": resource["resourceType"]}
    held = identifier(*number)
    named["identifier"] = held if resource["resourceType"] == "QuestionnaireResponse" else [held]
    if entry.entered_in_error:
        resource["status"] = "entered-in-error"
    address = f"urn:entry:{kind}:{entry.entry_id}"
    return Draft({**named, **resource}, address, path, date_path, identity=number, revision=entry.order, revises=True)


def _setting(entry: SettingEntry) -> Resource:
    resource = _observation("protrusion-setting", THERAPY_CATEGORY.concept, entry.set_on)
    parts = [
        component(local("advance-left"), "valueQuantity", quantity(entry.advance_left_mm, "mm")),
        component(local("advance-right"), "valueQuantity", quantity(entry.advance_right_mm, "mm")),
    ]
    if entry.percent_of_protrusive_range is not None:
        share = quantity(entry.percent_of_protrusive_range, "%")
        parts.append(component(local("percent-of-protrusive-range"), "valueQuantity", share))
    for code, said in (
        ("difference-intended", entry.difference_intended),
        ("taken-back-for-side-effect", entry.taken_back_for_side_effect),
    ):
        if said:
            parts.append(component(local(code), "valueBoolean", True))
    resource["component"] = parts
    return resource


def _check_in(entry: CheckInEntry) -> Resource:
    values = {
        **entry.model_dump(exclude={"snoring_0_to_10", "restedness_0_to_10"}),
        "snoring": entry.snoring_0_to_10,
        "restedness": entry.restedness_0_to_10,
    }
    return {
        "resourceType": "QuestionnaireResponse",
        "basedOn": [ref(CASE_REFERRAL)],
        "questionnaire": QUESTIONNAIRE,
        "status": "amended" if entry.revision > 1 else "completed",
        "subject": ref(CASE_PATIENT),
        "authored": entry.reported_on,
        "item": answers(values),
    }


def _side_effect(entry: SideEffectEntry) -> Resource:
    resource = _observation("side-effect", SURVEY_CATEGORY.concept, entry.reported_on)
    resource["valueCodeableConcept"] = {"text": entry.kind}
    parts = [component(local("side-effect-grade"), "valueInteger", entry.grade_0_to_3)]
    for code, day in (("onset", entry.onset), ("end", entry.ended_on)):
        if day:
            parts.append(component(local(code), "valueDateTime", day))
    resource["component"] = parts
    return resource


def _red_flag(entry: RedFlagEntry) -> Resource:
    resource = _observation("red-flag", SURVEY_CATEGORY.concept, entry.reported_on)
    resource["valueCodeableConcept"] = local(entry.kind).concept
    if entry.resolved_on:
        resource["component"] = [component(local("end"), "valueDateTime", entry.resolved_on)]
    return resource
