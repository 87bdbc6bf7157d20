"""The record of a simulated case, kept as the facts that the rules read."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from service.rehearsal.patient import SimulatedPatient
from service.rehearsal.weeks import NIGHTS_OF_A_WEEK
from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    RedFlag,
    RedFlagClosure,
    Setting,
    SideEffect,
)
from service.rules.kinds import Hearer, HypopnoeaRule, IndexName, Office, RedFlagKind, Scoring, TestPlace, TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source

_DELIVERED_ON = date(2026, 1, 5)
_TESTED_BEFORE = timedelta(weeks=6)
_KIND = "jaw-discomfort"


def day_of(week: int) -> date:
    """The day of the check-in that ends a week; week 0 is the delivery of the appliance."""
    return _DELIVERED_ON + timedelta(days=NIGHTS_OF_A_WEEK * week)


class Record:
    """Facts as they come in. `facts()` gives everything so far, as the service would hold it."""

    def __init__(self, patient: SimulatedPatient, epworth_total: int, limit_mm: Decimal, step_mm: Decimal) -> None:
        before = _DELIVERED_ON - _TESTED_BEFORE
        self._assessment = DentalAssessment(self._source("assessment"), Moment(before), patient.range_mm)
        self._appliance = Appliance(
            self._source("appliance"),
            _DELIVERED_ON,
            maximum_advance_mm=limit_mm,
            smallest_step_mm=step_mm,
            starting_position_mm=patient.start_mm,
        )
        self._baseline = SleepTest(
            self._source("baseline"),
            before,
            TestPurpose.BASELINE,
            TestPlace.HOME,
            index_name=IndexName.REI,
            index_per_hour=patient.measured_ahi,
            hypopnoea_rule=HypopnoeaRule.THREE_PERCENT,
            scoring=Scoring.REVIEWED,
        )
        first = CheckIn(self._source("check-in", 0), Moment(_DELIVERED_ON), epworth_total=epworth_total)
        self._check_ins = [first]
        self._settings = [Setting(self._source("setting", 0), Moment(_DELIVERED_ON), Decimal(0), Decimal(0))]
        self._side_effects: list[SideEffect] = []
        self._red_flags: list[RedFlag] = []
        self._closures: list[RedFlagClosure] = []

    @property
    def advance_mm(self) -> Decimal:
        """The current setting; both sides are always even here."""
        return self._settings[-1].left_mm

    def check_in(
        self,
        week: int,
        *,
        snoring: int | None,
        restedness: int,
        epworth_total: int | None,
        nights_reported: int,
        nights_worn: int,
        hours_per_night: Decimal,
        witnessed_pauses: bool | None,
    ) -> None:
        """The patient's report at the end of a week."""
        self._check_ins.append(
            CheckIn(
                self._source("check-in", week),
                Moment(day_of(week)),
                snoring=None if snoring is None else Decimal(snoring),
                who_could_hear=Hearer.NOBODY if snoring is None else None,
                restedness=Decimal(restedness),
                epworth_total=epworth_total,
                nights_reported=nights_reported,
                nights_worn=nights_worn,
                hours_per_night=hours_per_night if nights_worn else None,
                witnessed_pauses=witnessed_pauses,
            )
        )

    def partner(self, week: int, snoring: int) -> None:
        """What the bed partner reports of the week."""
        source, moment = self._source("partner", week), Moment(day_of(week))
        self._check_ins.append(CheckIn(source, moment, "bed-partner", snoring=Decimal(snoring)))

    def flag_closed(self, week: int, kind: RedFlagKind) -> None:
        """The physician closes a red flag."""
        source, moment = self._source("closure", week), Moment(day_of(week))
        told = ("the physician", "seen")
        self._closures.append(RedFlagClosure(source, moment, kind, Office.PHYSICIAN, *told))

    def set_to(self, week: int, advance_mm: Decimal, *, taken_back: bool = False) -> None:
        """A new setting, made on the day of the week's check-in."""
        source, moment = self._source("setting", week), Moment(day_of(week))
        self._settings.append(Setting(source, moment, advance_mm, advance_mm, taken_back_for_side_effect=taken_back))

    def side_effect(self, week: int, grade: int, onset: date, *, ended: bool = False) -> None:
        """A side effect, or its end."""
        source, moment = self._source("side-effect", week), Moment(day_of(week))
        self._side_effects.append(SideEffect(source, moment, _KIND, grade, onset, moment.day if ended else None))

    def broken_appliance(self, week: int, *, repaired: bool = False) -> None:
        """The appliance broke, or is back from repair."""
        source, moment = self._source("red-flag", week), Moment(day_of(week))
        self._red_flags.append(RedFlag(source, moment, RedFlagKind.BROKEN_APPLIANCE, moment.day if repaired else None))

    def facts(self) -> CaseFacts:
        """Everything on record."""
        return CaseFacts(
            assessments=(self._assessment,),
            appliances=(self._appliance,),
            settings=tuple(self._settings),
            check_ins=tuple(self._check_ins),
            side_effects=tuple(self._side_effects),
            red_flags=tuple(self._red_flags),
            red_flag_closures=tuple(self._closures),
            sleep_tests=(self._baseline,),
        )

    @staticmethod
    def _source(kind: str, week: int = 0) -> Source:
        return Source(f"{kind}/{week}", 1)
