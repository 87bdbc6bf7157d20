"""One invented patient: what is true of the disease and the person, and how one night of testing reads it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import exp, log, sqrt
from random import Random

from service.rehearsal.parameters import Parameters
from service.rules.limits import EPWORTH_TOTAL, SCALE_0_TO_10

_TENTH = Decimal("0.1")
_HALF = Decimal("0.5")
_SCALE_TOP = float(SCALE_0_TO_10.high)
_EPWORTH_TOP = float(EPWORTH_TOTAL.high)


@dataclass(frozen=True, slots=True)
class SimulatedPatient:
    """What no clinician sees: the true AHI in events/h, its response to advancement, symptoms and habits."""

    true_ahi: float
    measured_ahi: Decimal
    can_benefit: bool
    best_fall: float
    half_dose_percent: float
    dose_steepness: float
    range_mm: Decimal
    start_mm: Decimal
    snoring: float
    restedness: float
    epworth: float
    own_relief: float
    has_partner: bool
    wear_share: float
    wear_hours: float
    partner_reports: bool
    worsens: bool

    def fall_at(self, advance_mm: Decimal) -> float:
        """True fall in AHI, as a share of 1, with the appliance worn at `advance_mm` from its starting position."""
        percent = float((self.start_mm + advance_mm) * 100 / self.range_mm)
        dose = (percent / self.half_dose_percent) ** self.dose_steepness
        return self.best_fall * dose / (1 + dose)

    def ahi_at(self, advance_mm: Decimal) -> float:
        """True AHI with the appliance worn at `advance_mm`."""
        return self.true_ahi * (1 - self.fall_at(advance_mm))


def draw_patient(chance: Random, parameters: Parameters) -> SimulatedPatient:
    """A patient who was referred: one night measured at least the AHI of a referral."""
    true_ahi, measured = _referred(chance, parameters)
    can_benefit = chance.random() >= parameters.no_benefit_share.value
    mean, sd = (
        (parameters.best_fall_mean, parameters.best_fall_sd)
        if can_benefit
        else (parameters.no_benefit_fall_mean, parameters.no_benefit_fall_sd)
    )
    best_fall = between(chance.gauss(mean.value, sd.value), 0, parameters.highest_fall.value)
    half_dose = chance.gauss(parameters.half_dose_percent.value, parameters.half_dose_sd.value)
    range_mm = max(
        chance.gauss(parameters.range_mean_mm.value, parameters.range_sd_mm.value), parameters.lowest_range_mm.value
    )
    start = max(
        chance.gauss(parameters.start_percent.value, parameters.start_percent_sd.value),
        parameters.lowest_start_percent.value,
    )
    return SimulatedPatient(
        true_ahi=true_ahi,
        measured_ahi=measured,
        can_benefit=can_benefit,
        best_fall=best_fall,
        half_dose_percent=max(half_dose, parameters.lowest_half_dose_percent.value),
        dose_steepness=parameters.dose_steepness.value,
        range_mm=_to(range_mm, _HALF),
        start_mm=_to(range_mm * start / 100, _HALF),
        snoring=_score(chance, parameters.snoring_mean.value, parameters.snoring_sd.value, _SCALE_TOP),
        restedness=_score(chance, parameters.restedness_mean.value, parameters.restedness_sd.value, _SCALE_TOP),
        epworth=_score(chance, parameters.epworth_mean.value, parameters.epworth_sd.value, _EPWORTH_TOP),
        own_relief=chance.gauss(0, parameters.own_relief_sd.value),
        has_partner=chance.random() < parameters.partner_share.value,
        wear_share=_beta(chance, parameters.wear_share_mean.value, parameters.wear_share_sd.value),
        wear_hours=max(chance.gauss(parameters.wear_hours_mean.value, parameters.wear_hours_sd.value), 0),
        partner_reports=chance.random() < parameters.partner_reports.value,
        worsens=chance.random() < parameters.worsens_share.value,
    )


def draw_true_ahi(chance: Random, parameters: Parameters) -> float:
    """The true AHI of a person sent for a sleep test, events/h, log-normal."""
    mean, sd = parameters.ahi_mean.value, parameters.ahi_sd.value
    spread = log(1 + (sd / mean) ** 2)
    return exp(chance.gauss(log(mean) - spread / 2, sqrt(spread)))


def measured_ahi(chance: Random, true_ahi: float, parameters: Parameters) -> Decimal:
    """AHI of one test night, events/h to 0.1: the night's own rate, then events counted at random.

    Events are laid along one line of chance, so that with the same `chance` a lower true AHI never measures more.
    """
    spread, hours = parameters.night_spread.value, parameters.recording_hours.value
    expected = true_ahi * exp(chance.gauss(0, spread) - spread**2 / 2) * hours
    events = 0
    reached = chance.expovariate(1)
    while reached < expected:
        events += 1
        reached += chance.expovariate(1)
    return _to(events / hours, _TENTH)


def between(value: float, low: float, high: float) -> float:
    """`value`, or the bound it lies beyond."""
    return min(max(value, low), high)


def _referred(chance: Random, parameters: Parameters) -> tuple[float, Decimal]:
    """True and measured AHI of a person whose test led to a referral, so that chance has a part in it."""
    while True:
        true_ahi = draw_true_ahi(chance, parameters)
        measured = measured_ahi(chance, true_ahi, parameters)
        if measured >= Decimal(str(parameters.referral_ahi.value)):
            return true_ahi, measured


def _score(chance: Random, mean: float, sd: float, top: float) -> float:
    return between(chance.gauss(mean, sd), 0, top)


def _beta(chance: Random, mean: float, sd: float) -> float:
    """A share of 1 with that mean and standard deviation."""
    if sd <= 0:
        return mean
    weight = mean * (1 - mean) / sd**2 - 1
    return chance.betavariate(mean * weight, (1 - mean) * weight)


def _to(value: float, grid: Decimal) -> Decimal:
    """`value` on a grid of steps of that size."""
    return int(value / float(grid) + 0.5) * grid
