"""Parameter sets that take something away, and cohorts small enough for a test."""

from __future__ import annotations

from decimal import Decimal

from service.rehearsal.cohort import Plan, rehearse
from service.rehearsal.parameters import Parameters
from service.rehearsal.treatment import Ending, SimulatedCase
from service.rules.thresholds import Thresholds

# Nothing goes wrong and every report is exact: what is left is the disease and the dose.
WITHOUT_TROUBLE = {
    "snoring_noise": 0.0,
    "restedness_noise": 0.0,
    "epworth_noise": 0.0,
    "own_relief_sd": 0.0,
    "night_spread": 0.0,
    "wear_share_mean": 1.0,
    "wear_share_sd": 0.0,
    "wear_hours_mean": 7.5,
    "wear_hours_sd": 0.0,
    "wear_hours_noise": 0.0,
    "missed_check_in": 0.0,
    "drop_out_chance": 0.0,
    "side_effect_chance": 0.0,
    "side_effect_after_step": 0.0,
    "red_flag_chance": 0.0,
}

# Everybody falls by nearly all of the AHI at any setting.
PERFECT_DOSE = {
    "no_benefit_share": 0.0,
    "best_fall_mean": 0.98,
    "best_fall_sd": 0.0,
    "half_dose_percent": 20.0,
    "half_dose_sd": 0.0,
}


def cohort(
    cases: int = 200,
    *,
    weeks: int = 40,
    seed: int = 1,
    parameters: dict[str, float] | None = None,
    processes: int = 1,
    **thresholds: str,
) -> list[SimulatedCase]:
    """A cohort with some parameters and some thresholds replaced."""
    plan = Plan(cases, seed, weeks, Parameters().with_values(parameters or {}))
    held = Thresholds().with_values({name: Decimal(value) for name, value in thresholds.items()})
    return rehearse(plan, [held], processes)[0]


def retests(cases: list[SimulatedCase]) -> list[SimulatedCase]:
    return [c for c in cases if c.ending is Ending.RETEST]
