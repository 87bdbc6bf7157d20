"""Titration progress as a dental office tells it: settings, check-ins, side effects and red flags."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from service.errors import Category, Problem, Refused
from service.fhir.build import CASE_PATIENT, CASE_REFERRAL, Draft, Resource, component, quantity, ref
from service.fhir.check_in import QUESTIONNAIRE, answers, with_derived
from service.fhir.codes import SURVEY_CATEGORY, THERAPY_CATEGORY, local
from service.fhir.referral_task import FULFILLER
from service.inbound.entries import entry_draft, observation
from service.inbound.plain import (
    KIND,
    Day,
    DayOrTime,
    Entry,
    FlagKind,
    Mapped,
    Name,
    Plain,
    Text,
    Within,
    checked,
    twice,
)
from service.rules import limits

_Grade = Annotated[int, Within(limits.SIDE_EFFECT_GRADE)]
_Scale = Annotated[Decimal, Within(limits.SCALE_0_TO_10)]
_HealthChange = Literal["heart-disease", "stroke", "opioid", "pregnancy"]


def _each_once(changes: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(changes)) < len(changes):
        raise ValueError("each change of health is told once")
    return changes


class SettingEntry(Entry):
    """One setting: mm advanced from the starting position, each side.

    `reason` says why it is an unusual step, `no_further_reason` why the appliance is not advanced further but tested.
    """

    set_on: DayOrTime
    advance_left_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)]
    advance_right_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)]
    percent_of_protrusive_range: Annotated[Decimal, Within(limits.SHARE_PERCENT)] | None = None
    difference_intended: bool = False
    taken_back_for_side_effect: bool = False
    reason: Text | None = None
    no_further_reason: Text | None = None


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
    who_could_hear: Literal["bed-partner", "recorder", "nobody"] | None = None
    recorder_nights: Annotated[int, Within(limits.RECORDER_NIGHTS)] | None = None
    driving: Literal["no", "car", "for-work", "heavy-or-passenger-vehicle"] | None = None
    health_changes: Annotated[
        tuple[_HealthChange, ...], Field(max_length=4, strict=False), AfterValidator(_each_once)
    ] = ()


class SideEffectEntry(Entry):
    """A side effect: kind, grade 0 to 3 (none, mild, moderate, severe), onset and end."""

    reported_on: DayOrTime
    kind: Annotated[str, Field(pattern=KIND)]
    grade_0_to_3: _Grade
    onset: Day | None = None
    ended_on: Day | None = None


class RedFlagEntry(Entry):
    """A finding that stops titration until someone has looked.

    Where the dental office resolved it: on which day, who did, and what was done, all three.
    """

    reported_on: DayOrTime
    kind: FlagKind
    resolved_on: Day | None = None
    resolved_by: Name | None = None
    action_taken: Text | None = None


class ProgressMessage(Plain):
    """Titration progress: any number of settings, check-ins, side effects and red flags."""

    settings: Annotated[tuple[SettingEntry, ...], Field(max_length=100, strict=False)] = ()
    check_ins: Annotated[tuple[CheckInEntry, ...], Field(max_length=100, strict=False)] = ()
    side_effects: Annotated[tuple[SideEffectEntry, ...], Field(max_length=100, strict=False)] = ()
    red_flags: Annotated[tuple[RedFlagEntry, ...], Field(max_length=100, strict=False)] = ()


def map_progress(body: dict[str, Any], case_number: str) -> Mapped:
    """Titration progress as Observations and QuestionnaireResponses."""
    message = checked(ProgressMessage, body)
    problems = [p for name in type(message).model_fields for p in twice(name, getattr(message, name))]
    problems += [p for index, entry in enumerate(message.red_flags) for p in _unresolved(entry, f"red_flags[{index}]")]
    if problems:
        raise Refused(problems)
    drafts: list[Draft] = []
    for index, entry in enumerate(message.settings):
        path = f"settings[{index}]"
        drafts.append(entry_draft(_setting(entry), entry, case_number, "setting", path, f"{path}.set_on"))
    for index, entry in enumerate(message.check_ins):
        path = f"check_ins[{index}]"
        draft = entry_draft(_check_in(entry), entry, case_number, "check-in", path, f"{path}.reported_on")
        drafts.extend(with_derived(draft))
    for index, entry in enumerate(message.side_effects):
        path = f"side_effects[{index}]"
        drafts.append(entry_draft(_side_effect(entry), entry, case_number, "side-effect", path, f"{path}.reported_on"))
    for index, entry in enumerate(message.red_flags):
        path = f"red_flags[{index}]"
        drafts.append(entry_draft(_red_flag(entry), entry, case_number, "red-flag", path, f"{path}.reported_on"))
    return Mapped(drafts, agent=FULFILLER)


def _setting(entry: SettingEntry) -> Resource:
    resource = observation("protrusion-setting", THERAPY_CATEGORY.concept, entry.set_on)
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
    for code, why in (("setting-reason", entry.reason), ("no-further-reason", entry.no_further_reason)):
        if why:
            parts.append(component(local(code), "valueString", why))
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
    resource = observation("side-effect", SURVEY_CATEGORY.concept, entry.reported_on)
    resource["valueCodeableConcept"] = {"text": entry.kind}
    parts = [component(local("side-effect-grade"), "valueInteger", entry.grade_0_to_3)]
    for code, day in (("onset", entry.onset), ("end", entry.ended_on)):
        if day:
            parts.append(component(local(code), "valueDateTime", day))
    resource["component"] = parts
    return resource


def _unresolved(entry: RedFlagEntry, path: str) -> list[Problem]:
    """What is missing of a resolution. A withdrawal repeats what an earlier release took without it."""
    told = {"resolved_on": entry.resolved_on, "resolved_by": entry.resolved_by, "action_taken": entry.action_taken}
    if entry.entered_in_error or not any(told.values()):
        return []
    sentence = "A resolved red flag tells the day, who resolved it and what was done: «{}» is missing."
    return [
        Problem(Category.INVALID, sentence.format(name), f"{path}.{name}") for name, held in told.items() if not held
    ]


def _red_flag(entry: RedFlagEntry) -> Resource:
    resource = observation("red-flag", SURVEY_CATEGORY.concept, entry.reported_on)
    resource["valueCodeableConcept"] = local(entry.kind).concept
    parts: list[Resource] = []
    if entry.resolved_on:
        parts.append(component(local("end"), "valueDateTime", entry.resolved_on))
        parts.append(component(local("closing-office"), "valueCodeableConcept", local("dentist").concept))
    for code, said in (("closed-by", entry.resolved_by), ("action-taken", entry.action_taken)):
        if said:
            parts.append(component(local(code), "valueString", said))
    if parts:
        resource["component"] = parts
    return resource
