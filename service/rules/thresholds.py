"""Every number the rules compare with: value, unit, permitted range, mark and source.

Guideline and published values are kept apart from house policy by their `Mark`. A site may set another
value inside the permitted range; every decision records the thresholds it used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from enum import StrEnum


class Mark(StrEnum):
    """How well a threshold is supported; shown wherever the threshold is."""

    PUBLISHED = "published"
    QUOTED = "quoted"
    MEMORY = "from memory"
    POLICY = "policy"
    PRACTICE = "common practice"

    @property
    def meaning(self) -> str:
        """The mark in a sentence's words."""
        return _MEANINGS[self]


_MEANINGS = {
    Mark.PUBLISHED: "read in the source named",
    Mark.QUOTED: "read in a page quoting the source",
    Mark.MEMORY: "from memory, not verified",
    Mark.POLICY: "our default, no published value found",
    Mark.PRACTICE: "common practice, no source",
}


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number: its value and permitted range in `unit` (UCUM), its mark, source and meaning."""

    value: Decimal
    unit: str
    low: Decimal
    high: Decimal
    mark: Mark
    source: str
    meaning: str
    name: str = ""

    @property
    def whole(self) -> bool:
        """Whether only whole values make sense: days, nights, years and a number of check-ins."""
        return self.unit in ("d", "a", "{check-ins}")

    @property
    def cited(self) -> str:
        """The source as it stands in a sentence: a citation when published, else what the mark means."""
        return self.source if self.mark is Mark.PUBLISHED else self.mark.meaning


def _t(value: str, unit: str, low: str, high: str, mark: Mark, source: str, meaning: str) -> Threshold:
    return Threshold(Decimal(value), unit, Decimal(low), Decimal(high), mark, source, meaning)


_DIELTJENS = "Dieltjens 2013, doi 10.1378/chest.13-0613"
_SUTHERLAND = "Sutherland 2015, doi 10.5664/jcsm.4934"
_SEVERITY = "doi 10.1186/s13063-019-3698-4"
_CROOK = "Crook 2019, doi 10.1136/thoraxjnl-2018-211959"
_MA = "Ma 2020, doi 10.5664/jcsm.8556"
_P = Mark.PUBLISHED


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The thresholds of one site. `Thresholds()` is our default set; `with_values` makes another."""

    stable_days: Threshold = _t(
        "14", "d", "7", "90", Mark.POLICY, "none found", "days at one setting before an efficacy test"
    )
    even_within_mm: Threshold = _t(
        "0.25", "mm", "0", "1", Mark.POLICY, "none found", "difference between the sides that counts as even"
    )
    wear_nights_needed: Threshold = _t(
        "7", "d", "5", "28", Mark.POLICY, "none found", "nights reported since the setting before wear is judged"
    )
    wear_share: Threshold = _t(
        "0.70", "1", "0.5", "1", _P, _DIELTJENS, "share of reported nights on which the appliance was worn"
    )
    wear_hours: Threshold = _t("4", "h", "3", "8", _P, _DIELTJENS, "mean hours worn on nights it was worn")
    full_night_hours: Threshold = _t(
        "8", "h", "6", "9", Mark.POLICY, "none found", "hours of a full night, to date the earliest recovery of wear"
    )
    snoring_settled: Threshold = _t(
        "3", "{score}", "0", "5", Mark.MEMORY, "none verified", "highest snoring score that counts as settled"
    )
    restedness_settled: Threshold = _t(
        "7", "{score}", "5", "10", Mark.POLICY, "none found", "lowest restedness score that counts as settled"
    )
    epworth_settled: Threshold = _t(
        "10", "{score}", "8", "11", Mark.PRACTICE, "none", "highest Epworth total that is not sleepy"
    )
    epworth_change: Threshold = _t(
        "2", "{score}", "1", "4", _P, _CROOK, "change in the Epworth total that is meaningful"
    )
    check_ins_needed: Threshold = _t(
        "2", "{check-ins}", "2", "4", Mark.POLICY, "none found", "last check-ins that must agree before symptoms count"
    )
    check_in_interval_days: Threshold = _t(
        "7", "d", "1", "28", Mark.PRACTICE, "none", "days between check-ins during titration"
    )
    check_in_fresh_days: Threshold = _t(
        "28", "d", "14", "90", Mark.POLICY, "none found", "age at which a check-in no longer speaks for today"
    )
    side_effect_grade: Threshold = _t(
        "2", "{score}", "1", "3", Mark.POLICY, "none found", "grade of an open side effect that is not tolerated"
    )
    test_hours: Threshold = _t(
        "4", "h", "2", "6", Mark.MEMORY, "none verified", "recording hours for an adequate sleep test"
    )
    step_mm: Threshold = _t("1", "mm", "0.1", "1", Mark.PRACTICE, "none", "size of one titration step")
    smallest_step_mm: Threshold = _t(
        "0.25", "mm", "0.05", "1", Mark.POLICY, "none found", "room below which no further step is possible"
    )
    step_days: Threshold = _t("7", "d", "3", "28", Mark.PRACTICE, "none", "days at a setting before the next step")
    step_nights_of_seven: Threshold = _t(
        "4", "d", "3", "7", Mark.POLICY, "none found", "nights worn of the last seven before the next step"
    )
    goal_mm: Threshold = _t("2", "mm", "1", "5", Mark.PRACTICE, "none", "typical advancement aimed at")
    standard_parts_mm: Threshold = _t(
        "3", "mm", "2", "6", Mark.PRACTICE, "none", "advancement reached with an appliance's standard parts"
    )
    maximum_percent_of_range: Threshold = _t(
        "70", "%", "50", "85", _P, _MA, "share of the protrusive range above which gains level off"
    )
    side_effect_persisting_days: Threshold = _t(
        "3", "d", "1", "14", Mark.POLICY, "none found", "days a new side effect may last before a step back"
    )
    normal_index: Threshold = _t("5", "{events}/h", "5", "5", _P, _SUTHERLAND, "index below which apnoea is resolved")
    low_index: Threshold = _t("10", "{events}/h", "10", "10", _P, _SUTHERLAND, "index of the second response criterion")
    halved_percent: Threshold = _t("50", "%", "50", "50", _P, _SUTHERLAND, "fall in the index that counts as response")
    moderate_index: Threshold = _t("15", "{events}/h", "15", "15", _P, _SEVERITY, "index from which apnoea is moderate")
    severe_index: Threshold = _t("30", "{events}/h", "30", "30", _P, _SEVERITY, "index from which apnoea is severe")
    adult_years: Threshold = _t("18", "a", "18", "21", Mark.POLICY, "none", "age below which a case is outside scope")

    def __post_init__(self) -> None:
        for item in fields(self):
            held: Threshold = getattr(self, item.name)
            if held.name != item.name:
                object.__setattr__(self, item.name, replace(held, name=item.name))

    def all(self) -> tuple[Threshold, ...]:
        """Every threshold, in the order of this file."""
        return tuple(getattr(self, item.name) for item in fields(self))

    def with_values(self, values: Mapping[str, Decimal]) -> Thresholds:
        """A set with some values replaced. ValueError for an unknown name, a value out of its range or not whole."""
        changed: dict[str, Threshold] = {}
        for name, value in values.items():
            held = {t.name: t for t in self.all()}.get(name)
            if held is None:
                raise ValueError(f"there is no threshold named {name}")
            if not value.is_finite() or not held.low <= value <= held.high:
                raise ValueError(f"{name} = {value} {held.unit}: permitted are {held.low} to {held.high} {held.unit}")
            if held.whole and value != value.to_integral_value():
                raise ValueError(f"{name} = {value} {held.unit}: only whole numbers are permitted")
            if value != held.value:
                changed[name] = replace(held, value=value)
        return replace(self, **changed)
