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
    HypopnoeaRule,
    IndexName,
    Office,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    TestPlace,
    TestPurpose,
)
from service.rules.source import Moment, Source


@dataclass(frozen=True, slots=True)
class SleepTest:
    """One sleep test. Indices in events per hour, SpO2 and T90 in %, hours in h, central share 0-1."""

    source: Source
    day: date
    purpose: TestPurpose
    place: TestPlace | None = None
    index_name: IndexName | None = None
    index_per_hour: Decimal | None = None
    hypopnoea_rule: HypopnoeaRule = HypopnoeaRule.UNKNOWN
    event_count: int | None = None
    recording_hours: Decimal | None = None
    odi_per_hour: Decimal | None = None
    odi_drop_percent: int | None = None
    lowest_spo2_percent: Decimal | None = None
    t90_percent: Decimal | None = None
    supine_per_hour: Decimal | None = None
    non_supine_per_hour: Decimal | None = None
    central_share: Decimal | None = None
    appliance_worn: bool = False
    setting_left_mm: Decimal | None = None
    setting_right_mm: Decimal | None = None
    measure_sources: tuple[Source, ...] = ()

    @property
    def sources(self) -> tuple[Source, ...]:
        """The resource versions that tell the test and its measures, in a fixed order."""
        return (self.source, *sorted(self.measure_sources))


@dataclass(frozen=True, slots=True)
class Referral:
    """The order for oral appliance therapy. Age is judged from `birth_date`; None means not told.

    `conditions` are the symptoms and comorbidities told with the referral, in plain words such as `hypertension`.
    `state_since` is the history of `state` where it is known: the day on which each state was entered.
    `told_in` names the resource behind a field that is no element of the order itself.
    """

    source: Source
    day: date
    state: ReferralState = ReferralState.REQUESTED
    birth_date: date | None = None
    prescriber: str | None = None
    diagnosis_codes: tuple[str, ...] = ()
    pap_history: str | None = None
    prescriber_is_physician: bool | None = None
    conditions: tuple[str, ...] = ()
    face_to_face_on: date | None = None
    ordered_by_treating_practitioner: bool | None = None
    pap_contraindicated: bool | None = None
    dentist_licensed: bool | None = None
    state_since: tuple[tuple[date, ReferralState], ...] = ()
    told_in: tuple[tuple[str, Source], ...] = ()

    def told_by(self, name: str) -> tuple[Source, ...]:
        """The resource versions from which a field was read: those of `told_in`, else the order itself."""
        return tuple(sorted(source for told, source in self.told_in if told == name)) or (self.source,)

    def state_on(self, as_of: date) -> ReferralState:
        """The state on a day by the history; without a history `state`, before its first entry as requested.

        Of several states entered on one day the present one counts, or else the one furthest along.
        """
        if not self.state_since:
            return self.state
        past = [(day, state) for day, state in self.state_since if day <= as_of]
        if not past:
            return ReferralState.REQUESTED
        last = max(day for day, _ in past)
        entered = {state for day, state in past if day == last}
        later = any(day > last for day, _ in self.state_since)
        if self.state in entered and not later:
            return self.state
        return max(entered, key=list(ReferralState).index)

    def entered_on(self, state: ReferralState, as_of: date) -> date:
        """The last day up to `as_of` on which that state was entered; the day of the referral without a history."""
        return max((day for day, held in self.state_since if held is state and day <= as_of), default=self.day)


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
    """One setting: mm advanced from the starting position, each side."""

    source: Source
    moment: Moment
    left_mm: Decimal
    right_mm: Decimal
    difference_intended: bool = False
    taken_back_for_side_effect: bool = False

    @property
    def pair(self) -> tuple[Decimal, Decimal]:
        """The two sides; equal pairs are the same setting."""
        return (self.left_mm, self.right_mm)


@dataclass(frozen=True, slots=True)
class CheckIn:
    """A periodic report. Scales 0-10 (10 = loudest; 10 = fully rested), Epworth total 0-24.

    `records` are the records that one joined report was read from (`check_ins.py`); empty for a single record.
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
    records: tuple[CheckIn, ...] = ()

    def told_by(self, *names: str) -> tuple[Source, ...]:
        """The resource versions that tell any of the fields named, in a fixed order."""
        records = self.records or (self,)
        return tuple(sorted(r.source for r in records if any(getattr(r, name) is not None for name in names)))


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
    """A report of one red flag, open until `resolved_on`. The latest report of a kind counts."""

    source: Source
    moment: Moment
    kind: RedFlagKind
    resolved_on: date | None = None


@dataclass(frozen=True, slots=True)
class TestOrder:
    """A physician's order for an efficacy test."""

    source: Source
    day: date


@dataclass(frozen=True, slots=True)
class PhysicianDecision:
    """What the physician decided after a test."""

    source: Source
    moment: Moment
    choice: PhysicianChoice


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
    """All valid facts of one case. Order inside the tuples carries no meaning."""

    referral: Referral | None = None
    assessments: tuple[DentalAssessment, ...] = ()
    appliances: tuple[Appliance, ...] = ()
    settings: tuple[Setting, ...] = ()
    check_ins: tuple[CheckIn, ...] = ()
    side_effects: tuple[SideEffect, ...] = ()
    red_flags: tuple[RedFlag, ...] = ()
    sleep_tests: tuple[SleepTest, ...] = ()
    test_orders: tuple[TestOrder, ...] = ()
    physician_decisions: tuple[PhysicianDecision, ...] = ()
    visits: tuple[Visit, ...] = ()
    cancellation_requests: tuple[CancellationRequest, ...] = ()

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
    | SleepTest
    | TestOrder
    | PhysicianDecision
    | Visit
    | CancellationRequest,
) -> date:
    """The day a fact took effect."""
    if isinstance(fact, Appliance):
        return fact.delivered_on
    if isinstance(fact, SleepTest | TestOrder | Visit | CancellationRequest):
        return fact.day
    return fact.moment.day
