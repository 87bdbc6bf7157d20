"""Every number the rules compare with: value, unit, permitted range, mark and source.

Guideline and published values are kept apart from house policy by their `Mark`. A site may set another
value inside the permitted range; every decision records the thresholds it used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from decimal import Decimal

from service.rules.threshold import Mark, Threshold


def _t(value: str, unit: str, low: str, high: str, mark: Mark, source: str, meaning: str) -> Threshold:
    return Threshold(Decimal(value), unit, Decimal(low), Decimal(high), mark, source, meaning)


_DIELTJENS = "Dieltjens 2013, doi 10.1378/chest.13-0613"
_SUTHERLAND = "Sutherland 2015, doi 10.5664/jcsm.4934"
_SEVERITY = "doi 10.1186/s13063-019-3698-4"
_CROOK = "Crook 2019, doi 10.1136/thoraxjnl-2018-211959"
_MA = "Ma 2020, doi 10.5664/jcsm.8556"
_PETIT = "Petit 2002, doi 10.1164/rccm.2008167"
_OVERBITE = "calculated from Pliska 2014, doi 10.5664/jcsm.4278, and Minagi 2018, doi 10.5664/jcsm.6896"
_CENTRAL = "the usual definition of central sleep apnoea"
_AADSM = "the follow-up policy of AASM and AADSM"
_RADMAND = "Radmand 2021, doi 10.15331/jdsm.7204"
_LCD = "CMS LCD L33611"
_NONE = "none found"
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
    baseline_recent_days: Threshold = _t(
        "730", "d", "180", "1825", Mark.POLICY, "none found", "age of a baseline test that still speaks for a referral"
    )
    positional_ratio: Threshold = _t(
        "2", "1", "2", "2", _P, "doi 10.15331/jdsm.6918", "supine index as a multiple of the non-supine one"
    )
    central_share: Threshold = _t(
        "0.5", "1", "0.5", "0.5", Mark.QUOTED, _CENTRAL, "share of central events above which apnoea is central"
    )
    central_index: Threshold = _t(
        "5", "{events}/h", "5", "5", Mark.QUOTED, _CENTRAL, "central index from which apnoea can be called central"
    )
    protrusive_range_mm: Threshold = _t(
        "6", "mm", "4", "8", _P, _PETIT, "protrusive range below which an appliance may not help"
    )
    teeth_in_arch: Threshold = _t(
        "10",
        "{teeth}",
        "6",
        "12",
        Mark.QUOTED,
        "entry rule of a trial",
        "teeth in an arch that hold an appliance",
    )
    first_visit_days: Threshold = _t(
        "30", "d", "7", "60", Mark.MEMORY, "none verified", "days from delivery to the first follow-up visit"
    )
    second_visit_days: Threshold = _t(
        "60", "d", "45", "90", Mark.MEMORY, "none verified", "days from delivery from which the second visit is due"
    )
    second_visit_end_days: Threshold = _t(
        "90", "d", "60", "180", Mark.MEMORY, "none verified", "days from delivery by which the second visit is made"
    )
    half_yearly_days: Threshold = _t(
        "183", "d", "90", "365", Mark.QUOTED, _AADSM, "days between visits in the first year after efficacy is verified"
    )
    yearly_days: Threshold = _t(
        "365", "d", "180", "730", Mark.QUOTED, _AADSM, "days between visits after the first year"
    )
    visit_early_days: Threshold = _t(
        "14",
        "d",
        "0",
        "30",
        Mark.POLICY,
        "none found",
        "days before its date from which a visit counts as the planned one",
    )
    visit_grace_days: Threshold = _t(
        "14", "d", "0", "60", Mark.POLICY, "none found", "days after its date before a visit is called overdue"
    )
    adherent_sleep_share: Threshold = _t(
        "0.80", "1", "0.5", "1", Mark.QUOTED, _RADMAND, "share of sleep time worn that makes an adherent night"
    )
    adherent_nights_of_seven: Threshold = _t(
        "5", "d", "3", "7", Mark.QUOTED, _RADMAND, "adherent nights a week of an adherent patient"
    )
    weight_change_percent: Threshold = _t(
        "10", "%", "3", "20", Mark.POLICY, "none found", "change of weight since the test that sends a patient back"
    )
    wear_fall_share: Threshold = _t(
        "0.20",
        "1",
        "0.1",
        "0.5",
        Mark.POLICY,
        "none found",
        "fall in the share of nights worn that sends a patient back",
    )
    wear_recent_days: Threshold = _t(
        "28",
        "d",
        "14",
        "90",
        Mark.POLICY,
        "none found",
        "days up to the last report, or to today, whose reports of wear count",
    )
    overjet_change: Threshold = _t(
        "0.35", "mm/a", "0.17", "0.35", _P, "Minagi 2018, doi 10.5664/jcsm.6896", "mean yearly decrease of the overjet"
    )
    overbite_change: Threshold = _t(
        "0.21", "mm/a", "0.21", "0.21", _P, _OVERBITE, "mean yearly decrease of the overbite"
    )
    bite_times: Threshold = _t(
        "2", "1", "1", "4", Mark.POLICY, "none found", "multiple of the mean change above which it is called fast"
    )
    bite_interval_days: Threshold = _t(
        "180", "d", "90", "730", Mark.POLICY, "none found", "days between two examinations before a change is judged"
    )
    interval_percent: Threshold = _t(
        "95", "%", "80", "99", Mark.PRACTICE, "none", "level of the intervals around a measured index"
    )
    count_agreement_percent: Threshold = _t(
        "10", "%", "1", "25", Mark.POLICY, "none found", "difference of an index from its own count over hours"
    )
    wear_in_days: Threshold = _t("7", "d", "3", "21", Mark.PRACTICE, "none", "days of wear-in after a delivery")
    referral_answer_days: Threshold = _t(
        "14", "d", "3", "60", Mark.POLICY, _NONE, "days for an answer to a referral, or to a request to cancel one"
    )
    delivery_days: Threshold = _t("60", "d", "21", "180", Mark.POLICY, _NONE, "days from acceptance to delivery")
    report_days: Threshold = _t(
        "14", "d", "7", "60", Mark.POLICY, _NONE, "days without any report before a patient may be lost"
    )
    review_days: Threshold = _t("7", "d", "1", "28", Mark.POLICY, _NONE, "days for a review after a red flag")
    test_order_days: Threshold = _t("14", "d", "3", "60", Mark.POLICY, _NONE, "days to order a proposed test")
    test_result_days: Threshold = _t("60", "d", "14", "180", Mark.POLICY, _NONE, "days from an order to its result")
    decision_days: Threshold = _t("21", "d", "7", "90", Mark.POLICY, _NONE, "days for the physician's next decision")
    hold_days: Threshold = _t("60", "d", "14", "180", Mark.POLICY, _NONE, "days on hold before somebody asks why")
    coverage_index: Threshold = _t(
        "15", "{events}/h", "15", "15", Mark.QUOTED, _LCD, "index that needs no other reason"
    )
    coverage_events: Threshold = _t("30", "{events}", "30", "30", Mark.QUOTED, _LCD, "events beside that index")
    coverage_low_index: Threshold = _t(
        "5", "{events}/h", "5", "5", Mark.QUOTED, _LCD, "lowest index with another reason"
    )
    coverage_low_end: Threshold = _t("14", "{events}/h", "14", "14", Mark.QUOTED, _LCD, "end of that lower band")
    coverage_low_events: Threshold = _t(
        "10", "{events}", "10", "10", Mark.QUOTED, _LCD, "events beside that lower band"
    )
    coverage_high_index: Threshold = _t(
        "30", "{events}/h", "30", "30", Mark.QUOTED, _LCD, "index above which PAP counts"
    )

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
                raise ValueError(
                    f"{name} = {value} {held.unit}: only whole numbers from {held.low} to {held.high} are permitted"
                )
            if value == held.default:
                changed[name] = replace(held, value=value, default=None)
            elif value != held.value:
                changed[name] = replace(held, value=value, default=held.value if held.default is None else held.default)
        return replace(self, **changed)


def thresholds_from_table(table: Mapping[str, Decimal | int]) -> Thresholds:
    """The set of a site's table of names and values, e.g. as read from its settings.

    ValueError with one line for every entry that is refused, naming the threshold and its permitted range.
    """
    refused: list[str] = []
    thresholds = Thresholds()
    for name, value in sorted(table.items()):
        try:
            if isinstance(value, bool) or not isinstance(value, Decimal | int):
                raise ValueError(f"{name} = {value!r}: a number is asked, written without quotes{_range_of(name)}")
            thresholds = thresholds.with_values({name: Decimal(value)})
        except ValueError as problem:
            refused.append(str(problem))
    if refused:
        raise ValueError("\n".join(refused))
    return thresholds


def _range_of(name: str) -> str:
    held = {t.name: t for t in Thresholds().all()}.get(name)
    return f"; permitted are {held.low} to {held.high} {held.unit}" if held else ""
