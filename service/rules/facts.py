"""The facts of a case, as the rules read them: plain values with units in their names.

Every fact carries its `Source`, the resource and version it was read from, so that a decision can
name its exact inputs. A fact that was entered in error never reaches this package. Facts may arrive in
any order: every choice between two facts is made on their content, never on arrival.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date
from decimal import Decimal

from service.rules.kinds import (
    Driving,
    HealthChange,
    Hearer,
    Office,
    OwnReading,
    PhysicianChoice,
    RedFlagKind,
)
from service.rules.not_counted import NotCounted
from service.rules.patient_record import ClosingRecord, closing
from service.rules.referral_order import Referral
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source


@dataclass(frozen=True, slots=True)
class DentalAssessment:
    """The dentist's examination before an appliance is made. Lengths in mm."""

    source: Source
    moment: Moment
    protrusive_range_mm: Decimal | None = None
    teeth_upper: int | None = None
    teeth_lower: int | None = None
    mobile_teeth: bool | None = None
    active_tmj_disorder: bool | None = None
    overjet_mm: Decimal | None = None
    overbite_mm: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Appliance:
    """A delivered appliance. `starting_position_mm` is measured from maximum retrusion.

    `source` tells its delivery and use, `limit_source` its lengths when another resource holds them.
    """

    source: Source
    delivered_on: date
    ended_on: date | None = None
    maximum_advance_mm: Decimal | None = None
    smallest_step_mm: Decimal | None = None
    starting_position_mm: Decimal | None = None
    limit_source: Source | None = None

    @property
    def limits_from(self) -> Source:
        """The resource version that tells the appliance's lengths."""
        return self.limit_source or self.source


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: mm advanced from the starting position, each side.

    `reason` says why a step was larger than usual, taken back, or uneven; `no_further` why the dentist wants the case
    tested at this setting although symptoms are left, empty when it is not so.
    """

    source: Source
    moment: Moment
    left_mm: Decimal
    right_mm: Decimal
    difference_intended: bool = False
    taken_back_for_side_effect: bool = False
    reason: str = ""
    no_further: str = ""

    @property
    def pair(self) -> tuple[Decimal, Decimal]:
        """The two sides; equal pairs are the same setting."""
        return (self.left_mm, self.right_mm)


@dataclass(frozen=True, slots=True)
class CheckIn:
    """A periodic report. Scales 0-10 (10 = loudest; 10 = fully rested), Epworth total 0-24.

    `who_could_hear` is told with snoring and pauses: a recorder over `recorder_nights` nights, or nobody. `records` are
    the records that one joined report was read from (`check_ins.py`); empty for a single record.
    """

    source: Source
    moment: Moment
    reported_by: str = "patient"
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
    records: tuple[CheckIn, ...] = ()

    def told_by(self, *names: str) -> tuple[Source, ...]:
        """The resource versions that tell any of the fields named, in a fixed order."""
        records = self.records or (self,)
        return tuple(sorted(r.source for r in records if any(getattr(r, name) not in (None, ()) for name in names)))


@dataclass(frozen=True, slots=True)
class SideEffect:
    """A report of one kind of side effect: grade 0-3, onset, end. The latest report of a kind counts."""

    source: Source
    moment: Moment
    kind: str
    grade: int
    onset: date
    ended_on: date | None = None


@dataclass(frozen=True, slots=True)
class RedFlag:
    """A report of one red flag. The latest report of a kind counts.

    `resolved_on` closes it, when it is `resolved_office` that it is for: by whom and what was done is told beside it. A
    record of an earlier release tells a day alone, which was the dental office's.
    """

    source: Source
    moment: Moment
    kind: RedFlagKind
    resolved_on: date | None = None
    resolved_office: Office = Office.DENTIST
    resolved_by: str = ""
    action_taken: str = ""


@dataclass(frozen=True, slots=True)
class WithdrawnFlag:
    """A report of a red flag that was entered in error: it is open no more, and shown as withdrawn by correction."""

    source: Source
    moment: Moment
    kind: RedFlagKind


@dataclass(frozen=True, slots=True)
class RedFlagClosure:
    """An office's closure of one kind of red flag, reported or derived: it answers all facts up to its moment."""

    source: Source
    moment: Moment
    kind: RedFlagKind
    office: Office
    closed_by: str
    action_taken: str


@dataclass(frozen=True, slots=True)
class TestOrder:
    """A physician's order for an efficacy test."""

    source: Source
    day: date


@dataclass(frozen=True, slots=True)
class PhysicianDecision:
    """What the physician decided. `own_reading` is the physician's own class of the response.

    `responsible` is the office that starts what was decided, by `start_by`.
    """

    source: Source
    moment: Moment
    choice: PhysicianChoice
    own_reading: OwnReading | None = None
    responsible: Office | None = None
    start_by: date | None = None


@dataclass(frozen=True, slots=True)
class Visit:
    """A follow-up visit that took place."""

    source: Source
    day: date
    office: Office


@dataclass(frozen=True, slots=True)
class CancellationRequest:
    """A request by the physician's office to cancel after work began; open until `answered_on`."""

    source: Source
    day: date
    reason: str = ""
    answered_on: date | None = None


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """All valid facts of one case. Order inside the tuples carries no meaning.

    `not_counted` is what the case holds and no decision counts; `closing_records` say that the patient is out of care.
    """

    referral: Referral | None = None
    assessments: tuple[DentalAssessment, ...] = ()
    appliances: tuple[Appliance, ...] = ()
    settings: tuple[Setting, ...] = ()
    check_ins: tuple[CheckIn, ...] = ()
    side_effects: tuple[SideEffect, ...] = ()
    red_flags: tuple[RedFlag, ...] = ()
    red_flag_closures: tuple[RedFlagClosure, ...] = ()
    withdrawn_flags: tuple[WithdrawnFlag, ...] = ()
    sleep_tests: tuple[SleepTest, ...] = ()
    test_orders: tuple[TestOrder, ...] = ()
    physician_decisions: tuple[PhysicianDecision, ...] = ()
    visits: tuple[Visit, ...] = ()
    cancellation_requests: tuple[CancellationRequest, ...] = ()
    not_counted: tuple[NotCounted, ...] = ()
    closing_records: tuple[ClosingRecord, ...] = ()

    @property
    def closing_record(self) -> ClosingRecord | None:
        """The patient's record that says that the patient is out of care; None while it does not."""
        return closing(self.closing_records)

    def known_on(self, as_of: date) -> CaseFacts:
        """The facts effective on or before `as_of`; later ones do not exist for a decision of that day.

        The referral stays, in its state of that day as far as its history tells.
        """
        kept = {
            item.name: tuple(fact for fact in getattr(self, item.name) if effective_day(fact) <= as_of)
            for item in fields(self)
            if item.name != "referral"
        }
        referral = self.referral and replace(self.referral, state=self.referral.state_on(as_of))
        return replace(self, referral=referral, **kept)


def effective_day(
    fact: DentalAssessment
    | Appliance
    | Setting
    | CheckIn
    | SideEffect
    | RedFlag
    | RedFlagClosure
    | WithdrawnFlag
    | SleepTest
    | TestOrder
    | PhysicianDecision
    | Visit
    | CancellationRequest
    | NotCounted
    | ClosingRecord,
) -> date:
    """The day a fact took effect. What a patient's record says holds on every day, as it does not say since when."""
    if isinstance(fact, NotCounted):
        return fact.day or date.min
    if isinstance(fact, ClosingRecord):
        return date.min
    if isinstance(fact, Appliance):
        return fact.delivered_on
    if isinstance(fact, SleepTest | TestOrder | Visit | CancellationRequest):
        return fact.day
    return fact.moment.day
