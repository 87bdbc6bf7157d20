"""How a simulated person lives through the weeks: wear, symptoms, side effects, and what of it is reported."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from math import exp

from service.rehearsal.parameters import Parameters
from service.rehearsal.patient import SimulatedPatient, between
from service.rehearsal.record import Record, day_of
from service.rehearsal.weeks import NIGHTS_OF_A_WEEK, Week
from service.rules.limits import EPWORTH_TOTAL, SCALE_0_TO_10
from service.rules.words import quarter_hours

_MODERATE, _SEVERE = 2, 3


@dataclass(slots=True)
class Life:
    """The state of one person; `live` moves it on by a week and puts on record what is reported."""

    patient: SimulatedPatient
    parameters: Parameters
    record: Record
    weeks_between_check_ins: int
    grade: int = 0
    onset: date | None = None
    stepped_back: bool = False
    just_advanced: bool = False
    repaired_in: int | None = None
    weeks_since_report: int = 0
    check_ins: int = 0
    nights_worn: int = 0
    nights: int = 0
    hours: float = 0

    def live(self, number: int, week: Week) -> bool:
        """One week; whether anything new came on record."""
        told = self._side_effects(number, week)
        told = self._red_flag(number, week) or told
        fall = self._wear(week)
        self.weeks_since_report += 1
        if self.weeks_since_report < self.weeks_between_check_ins:
            return told
        self.weeks_since_report = 0
        if week.missed >= self.parameters.missed_check_in.value:
            self._check_in(number, week, fall)
            told = True
        self.nights_worn = self.nights = 0
        self.hours = 0
        return told

    def drops_out(self, week: Week) -> bool:
        """Whether the treatment ends this week without a test."""
        troubled = self.parameters.drop_out_factor.value if self.grade >= _MODERATE else 1
        return week.drop_out < self.parameters.drop_out_chance.value * troubled

    def advanced(self) -> None:
        """A step was made at the end of this week."""
        self.just_advanced, self.stepped_back = True, False

    def taken_back(self) -> None:
        """A step was taken back at the end of this week."""
        self.just_advanced, self.stepped_back = False, True

    def _side_effects(self, number: int, week: Week) -> bool:
        """One side effect at a time: an open one may end, otherwise a new one may come."""
        p, recent = self.parameters, self.just_advanced
        self.just_advanced = False
        if self.grade:
            ends = p.ends_after_step_back if self.stepped_back else p.side_effect_ends
            if week.end >= ends.value or self.onset is None:
                return False
            self.record.side_effect(number, self.grade, self.onset, ended=True)
            self.grade, self.onset = 0, None
            return True
        if week.new_side_effect >= p.side_effect_chance.value + (p.side_effect_after_step.value if recent else 0):
            return False
        severe, moderate = p.severe_share.value, p.moderate_share.value
        self.grade = _SEVERE if week.grade < severe else _MODERATE if week.grade < severe + moderate else 1
        self.onset = day_of(number) - timedelta(days=week.onset_nights_ago)
        self.record.side_effect(number, self.grade, self.onset)
        return True

    def _red_flag(self, number: int, week: Week) -> bool:
        if self.repaired_in is not None:
            self.repaired_in -= 1
            if self.repaired_in > 0:
                return False
            self.repaired_in = None
            self.record.broken_appliance(number, repaired=True)
            return True
        if week.red_flag >= self.parameters.red_flag_chance.value:
            return False
        self.repaired_in = int(self.parameters.repair_weeks.value)
        self.record.broken_appliance(number)
        return True

    def _wear(self, week: Week) -> float:
        """Wear the appliance for a week; the fall in AHI over all hours slept, as a share of 1."""
        p = self.parameters
        share = self.patient.wear_share
        if self.grade >= _MODERATE:
            share *= p.wear_with_severe.value if self.grade >= _SEVERE else p.wear_with_moderate.value
        if self.repaired_in is not None:
            share = 0
        worn = sum(night < share for night in week.nights)
        hours = max(self.patient.wear_hours + p.wear_hours_noise.value * week.hours_noise, 0)
        self.nights_worn += worn
        self.nights += NIGHTS_OF_A_WEEK
        self.hours += worn * hours
        covered = worn / NIGHTS_OF_A_WEEK * min(hours / p.sleep_hours.value, 1)
        return self.patient.fall_at(self.record.advance_mm) * covered

    def _check_in(self, number: int, week: Week, fall: float) -> None:
        """Report symptoms as felt, and wear as remembered."""
        p, person = self.parameters, self.patient
        besides = person.own_relief + p.placebo_relief.value * (1 - exp(-number / p.placebo_weeks.value))
        heard = person.has_partner
        snoring = person.snoring * (1 - p.snoring_link.value * fall - besides)
        tiredness = (_top(SCALE_0_TO_10.high) - person.restedness) * (1 - p.restedness_link.value * fall - besides)
        asked = not heard or self.check_ins % int(p.epworth_every.value) == 0
        self.check_ins += 1
        hours = self.hours / self.nights_worn + p.over_read_hours.value if self.nights_worn else 0
        noise = p.snoring_noise.value * week.snoring_noise
        if heard and person.partner_reports:
            self.record.partner(number, told(snoring + p.partner_hears_more.value, noise, SCALE_0_TO_10.high))
        self.record.check_in(
            number,
            snoring=told(snoring, noise, SCALE_0_TO_10.high) if heard else None,
            restedness=told(
                _top(SCALE_0_TO_10.high) - tiredness,
                p.restedness_noise.value * week.restedness_noise,
                SCALE_0_TO_10.high,
            ),
            epworth_total=self._epworth(number, fall, besides, week) if asked else None,
            nights_reported=self.nights,
            nights_worn=self.nights_worn,
            hours_per_night=quarter_hours(Decimal(hours)),
            witnessed_pauses=self._witnessed(fall, week) if person.has_partner else None,
        )

    def _epworth(self, number: int, fall: float, besides: float, week: Week) -> int:
        p = self.parameters
        total = self.patient.epworth * (1 - p.epworth_link.value * fall - besides)
        if self.patient.worsens and number > p.worsens_after_weeks.value:
            total = self.patient.epworth + p.worsens_points.value
        return told(total, p.epworth_noise.value * week.epworth_noise, EPWORTH_TOTAL.high)

    def _witnessed(self, fall: float, week: Week) -> bool:
        ahi = self.patient.true_ahi * (1 - fall)
        return week.pause < 1 - exp(-((ahi / self.parameters.pause_ahi.value) ** 2))


def told(felt: float, noise: float, top: Decimal) -> int:
    """A feeling as it is reported: with noise, in whole points of its scale."""
    return round(between(felt + noise, 0, _top(top)))


def _top(value: Decimal) -> float:
    return float(value)
