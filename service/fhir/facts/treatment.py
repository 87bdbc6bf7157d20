"""Facts of a treatment: examination, appliance, settings, how the patient is, what the offices decide and do."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from service.fhir.facts.base import FactOfAKind, TimedFact
from service.fhir.facts.words import FactKind, Reporter
from service.rules.kinds import Driving, HealthChange, Hearer, Office, OwnReading, PhysicianChoice, RedFlagKind


class AssessmentFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.ASSESSMENT.value):
    """The dentist's examination before an appliance is made."""

    protrusive_range_mm: Decimal | None = None
    teeth_upper: int | None = None
    teeth_lower: int | None = None
    mobile_teeth: bool | None = None
    active_tmj_disorder: bool | None = None
    overjet_mm: Decimal | None = None
    overbite_mm: Decimal | None = None


class DeviceFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.DEVICE.value):
    """The lengths of an appliance."""

    maximum_advance_mm: Decimal | None = None
    smallest_step_mm: Decimal | None = None
    starting_position_mm: Decimal | None = None


class ApplianceUseFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.APPLIANCE_USE.value):
    """The delivery of the appliance that `device` refers to, and the end of its use."""

    device: str
    delivered_on: date
    ended_on: date | None = None


class SettingFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.SETTING.value):
    """One setting of the appliance: the advance of each side from its starting position."""

    left_mm: Decimal
    right_mm: Decimal
    difference_intended: bool = False
    taken_back_for_side_effect: bool = False
    reason: str = ""
    no_further: str = ""


class CheckInFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.CHECK_IN.value):
    """A report of how the patient is: scales 0-10, Epworth total 0-24."""

    reported_by: Reporter = Reporter.PATIENT
    snoring: Decimal | None = None
    restedness: Decimal | None = None
    epworth_total: int | None = None
    nights_reported: int | None = None
    nights_worn: int | None = None
    hours_per_night: Decimal | None = None
    hours_slept_per_night: Decimal | None = None
    witnessed_pauses: bool | None = None
    weight_kg: Decimal | None = None
    who_could_hear: Hearer | None = None
    recorder_nights: int | None = None
    driving: Driving | None = None
    health_changes: tuple[HealthChange, ...] = ()


class SideEffectFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.SIDE_EFFECT.value):
    """A report of one side effect, graded 0-3."""

    side_effect: str
    grade: int
    onset: date
    ended_on: date | None = None


class RedFlagFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.RED_FLAG.value):
    """A report of one red flag; with `resolved_on`, by which office, by whom and how it was resolved."""

    red_flag: RedFlagKind
    resolved_on: date | None = None
    resolved_office: Office | None = None
    resolved_by: str = ""
    action_taken: str = ""


class WithdrawnFlagFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.WITHDRAWN_FLAG.value):
    """A report of a red flag that was entered in error."""

    red_flag: RedFlagKind


class RedFlagClosureFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.RED_FLAG_CLOSURE.value):
    """The closure of one kind of red flag by an office."""

    red_flag: RedFlagKind
    office: Office
    closed_by: str
    action_taken: str


class TestOrderFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.TEST_ORDER.value):
    """A physician's order for an efficacy test."""

    day: date


class PhysicianDecisionFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.PHYSICIAN_DECISION.value):
    """What the physician decided, and which office starts it by when."""

    choice: PhysicianChoice
    own_reading: OwnReading | None = None
    responsible: Office | None = None
    start_by: date | None = None


class VisitFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.VISIT.value):
    """A follow-up visit that took place."""

    visited_on: date
    office: Office
