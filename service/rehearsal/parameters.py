"""Every number of the simulated patients: value, unit, mark and source. Nothing is assumed anywhere else.

Most of it is invented and marked so. Read `published` as: the number was read in the source named, for the
people of that study, and says nothing about the patients of a site.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum


class ParameterMark(StrEnum):
    """How well a parameter is supported."""

    PUBLISHED = "published"
    QUOTED = "quoted"
    MEMORY = "from memory"
    POLICY = "policy"
    INVENTED = "invented"


@dataclass(frozen=True, slots=True)
class SimulationParameter:
    """One number of the model in `unit` (UCUM), its mark and its source (`invented` when there is none)."""

    value: float
    unit: str
    mark: ParameterMark
    source: str
    meaning: str
    name: str = ""


_VANDERVEKEN = "Vanderveken 2013, doi 10.1136/thoraxjnl-2012-201900"
_WEAR = "a table of Thorax, 43 people, taken to be of Vanderveken 2013, doi 10.1136/thoraxjnl-2012-201900"
_DIELTJENS = "Dieltjens 2013, doi 10.1378/chest.13-0613"
_UPDATE = "Sutherland 2014, doi 10.5664/jcsm.3460"
_RANGE = "doi 10.1186/s12903-019-0783-8"
_PUNJABI = "invented, fitted to Punjabi 2020, doi 10.1016/j.chest.2020.01.039"
_MA = "invented, shaped after Ma 2020, doi 10.5664/jcsm.8556"
_MARKER = "invented, after doi 10.1007/s11325-022-02569-3"
_INVENTED = "invented"


def _seen(value: float, unit: str, source: str, meaning: str) -> SimulationParameter:
    return SimulationParameter(value, unit, ParameterMark.PUBLISHED, source, meaning)


def _quoted(value: float, unit: str, source: str, meaning: str) -> SimulationParameter:
    return SimulationParameter(value, unit, ParameterMark.QUOTED, source, meaning)


def _made_up(value: float, unit: str, meaning: str, source: str = _INVENTED) -> SimulationParameter:
    return SimulationParameter(value, unit, ParameterMark.INVENTED, source, meaning)


@dataclass(frozen=True, slots=True)
class Parameters:
    """The parameters of the model; `Parameters()` is the set that the command uses."""

    # Disease before treatment, and how one night of testing reads it
    ahi_mean: SimulationParameter = _seen(
        18.0, "{events}/h", _VANDERVEKEN, "mean AHI of people sent for a test (there: of people treated)"
    )
    ahi_sd: SimulationParameter = _seen(
        11.9, "{events}/h", _VANDERVEKEN, "their standard deviation, taken as log-normal"
    )
    referral_ahi: SimulationParameter = _seen(
        5, "{events}/h", "doi 10.1186/s13063-019-3698-4", "measured AHI from which a case is referred"
    )
    night_spread: SimulationParameter = _made_up(
        0.25, "1", "spread of the log of one night's rate around the true AHI", _PUNJABI
    )
    recording_hours: SimulationParameter = _made_up(
        6.5, "h", "recording hours of every test; events are counted as Poisson"
    )

    # Response to advancement, as a share of the protrusive range
    no_benefit_share: SimulationParameter = _seen(
        0.33, "1", _UPDATE, "share of cases without benefit at any setting (a third)"
    )
    best_fall_mean: SimulationParameter = _made_up(0.88, "1", "largest possible fall in AHI, the other cases")
    best_fall_sd: SimulationParameter = _made_up(0.10, "1", "its standard deviation")
    no_benefit_fall_mean: SimulationParameter = _made_up(
        0.25, "1", "largest possible fall in AHI, cases without benefit"
    )
    no_benefit_fall_sd: SimulationParameter = _made_up(0.12, "1", "its standard deviation")
    highest_fall: SimulationParameter = _made_up(0.98, "1", "no case falls further than this")
    half_dose_percent: SimulationParameter = _made_up(
        45, "%", "share of the range that gives half of the largest fall", _MA
    )
    half_dose_sd: SimulationParameter = _made_up(8, "%", "its standard deviation", _MA)
    lowest_half_dose_percent: SimulationParameter = _made_up(
        20, "%", "no case needs less than this for half of its fall"
    )
    dose_steepness: SimulationParameter = _made_up(
        4, "1", "exponent of the dose-response: gains level off near 70 %", _MA
    )

    # Jaw and appliance
    range_mean_mm: SimulationParameter = _seen(11.98, "mm", _RANGE, "mean protrusive range, at 5 mm of mouth opening")
    range_sd_mm: SimulationParameter = _seen(1.08, "mm", _RANGE, "its standard deviation")
    lowest_range_mm: SimulationParameter = _made_up(7, "mm", "no simulated range is smaller than this")
    start_percent: SimulationParameter = _made_up(45, "%", "starting position as a share of the range")
    start_percent_sd: SimulationParameter = _made_up(7, "%", "its standard deviation")
    lowest_start_percent: SimulationParameter = _made_up(20, "%", "no appliance starts further back than this")
    appliance_limit_mm: SimulationParameter = _made_up(5, "mm", "furthest advance that the appliance allows")
    appliance_step_mm: SimulationParameter = _made_up(0.25, "mm", "smallest step of the appliance")

    # Symptoms: before treatment, how they follow the AHI, and what moves them besides
    snoring_mean: SimulationParameter = _made_up(7, "{score}", "mean snoring before treatment (10 = loudest)")
    snoring_sd: SimulationParameter = _made_up(1.5, "{score}", "its standard deviation")
    restedness_mean: SimulationParameter = _made_up(
        4.5, "{score}", "mean restedness before treatment (10 = fully rested)"
    )
    restedness_sd: SimulationParameter = _made_up(1.5, "{score}", "its standard deviation")
    epworth_mean: SimulationParameter = _made_up(10, "{score}", "mean Epworth total before treatment")
    epworth_sd: SimulationParameter = _made_up(4.5, "{score}", "its standard deviation")
    snoring_link: SimulationParameter = _made_up(
        0.9, "1", "relief of snoring for each share of the AHI that falls", _MARKER
    )
    restedness_link: SimulationParameter = _made_up(0.85, "1", "relief of tiredness for each share that falls", _MARKER)
    epworth_link: SimulationParameter = _made_up(
        0.45, "1", "fall in the Epworth total for each share that falls", _MARKER
    )
    placebo_relief: SimulationParameter = _made_up(0.15, "1", "relief that comes with being treated at all", _MARKER)
    placebo_weeks: SimulationParameter = _made_up(4, "wk", "time in which most of that relief has come")
    own_relief_sd: SimulationParameter = _made_up(
        0.15, "1", "relief of a person that has nothing to do with the AHI", _MARKER
    )
    snoring_noise: SimulationParameter = _made_up(1.0, "{score}", "noise of one report of snoring")
    restedness_noise: SimulationParameter = _made_up(1.0, "{score}", "noise of one report of restedness")
    epworth_noise: SimulationParameter = _made_up(1.5, "{score}", "noise of one Epworth total")
    epworth_every: SimulationParameter = _made_up(4, "{check-ins}", "check-ins from one Epworth total to the next")
    partner_share: SimulationParameter = _made_up(0.6, "1", "share of cases with somebody who could witness pauses")
    partner_reports: SimulationParameter = _made_up(
        0.5, "1", "share of these in whom the bed partner reports snoring too"
    )
    partner_hears_more: SimulationParameter = _made_up(1.0, "{score}", "what the bed partner reports more of snoring")
    worsens_share: SimulationParameter = _made_up(
        0.04, "1", "share of cases in whom sleepiness grows, whatever the AHI does"
    )
    worsens_after_weeks: SimulationParameter = _made_up(5, "wk", "weeks before it does")
    worsens_points: SimulationParameter = _made_up(6, "{score}", "points by which the Epworth total then grows")
    pause_ahi: SimulationParameter = _made_up(
        40, "{events}/h", "AHI at which pauses are witnessed in 63 % of weeks; the chance grows with the square"
    )

    # Wear
    wear_share_mean: SimulationParameter = _quoted(0.919, "1", _WEAR, "mean share of nights worn over three months")
    wear_share_sd: SimulationParameter = _quoted(
        0.108, "1", _WEAR, "its standard deviation, taken as a beta distribution"
    )
    wear_hours_mean: SimulationParameter = _quoted(6.7, "h", _WEAR, "mean hours worn a day over three months")
    wear_hours_sd: SimulationParameter = _quoted(1.3, "h", _WEAR, "its standard deviation")
    wear_hours_noise: SimulationParameter = _made_up(0.5, "h", "change of the mean hours from week to week")
    sleep_hours: SimulationParameter = _made_up(7.5, "h", "hours slept a night")
    over_read_hours: SimulationParameter = _seen(0.5, "h", _DIELTJENS, "hours by which self-report over-reads wear")

    # Side effects, red flags, reports that do not come
    side_effect_chance: SimulationParameter = _made_up(0.02, "1", "chance of a new side effect in a week")
    side_effect_after_step: SimulationParameter = _made_up(0.06, "1", "added to it in the week after an advance")
    moderate_share: SimulationParameter = _made_up(0.30, "1", "share of side effects of grade 2")
    severe_share: SimulationParameter = _made_up(0.08, "1", "share of side effects of grade 3")
    side_effect_ends: SimulationParameter = _made_up(0.4, "1", "chance that a side effect ends in a week")
    ends_after_step_back: SimulationParameter = _made_up(0.8, "1", "the same once the step was taken back")
    wear_with_moderate: SimulationParameter = _made_up(
        0.8, "1", "share of the usual nights worn with a side effect of grade 2"
    )
    wear_with_severe: SimulationParameter = _made_up(
        0.3, "1", "share of the usual nights worn with a side effect of grade 3"
    )
    red_flag_chance: SimulationParameter = _made_up(0.001, "1", "chance in a week that the appliance breaks")
    repair_weeks: SimulationParameter = _made_up(2, "wk", "weeks until it is repaired; it is not worn meanwhile")
    flag_answer_weeks: SimulationParameter = _made_up(1, "wk", "weeks until the physician closes a red flag")
    missed_check_in: SimulationParameter = _made_up(0.12, "1", "chance that a check-in that is due does not come")
    drop_out_chance: SimulationParameter = _made_up(0.006, "1", "chance of dropping out in a week")
    drop_out_factor: SimulationParameter = _made_up(
        4, "1", "times that chance while a side effect of grade 2 or 3 is open"
    )
    dentist_directs: SimulationParameter = _made_up(
        0.5, "1", "chance in a week that a dentist directs a step beyond the standard parts"
    )

    def __post_init__(self) -> None:
        for item in fields(self):
            held: SimulationParameter = getattr(self, item.name)
            if held.name != item.name:
                object.__setattr__(self, item.name, replace(held, name=item.name))

    def all(self) -> tuple[SimulationParameter, ...]:
        """Every parameter, in the order of this file."""
        return tuple(getattr(self, item.name) for item in fields(self))

    def with_values(self, values: Mapping[str, float]) -> Parameters:
        """A set with some values replaced and marked invented; KeyError for an unknown name."""
        known = {p.name: p for p in self.all()}
        return replace(
            self,
            **{
                name: replace(known[name], value=value, mark=ParameterMark.INVENTED, source=_INVENTED)
                for name, value in values.items()
            },
        )
