"""Every number of the rules has its mark, source, unit and range, and a site can move it only inside the range."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest

from service.rules.decision import threshold_data
from service.rules.threshold import Mark, Threshold, with_unit
from service.rules.thresholds import Thresholds, thresholds_from_table

EVERY = Thresholds().all()
MOVABLE = [t for t in EVERY if t.low < t.high]


def named(items):
    return pytest.mark.parametrize("threshold", items, ids=lambda t: t.name)


@named(EVERY)
def test_every_threshold_is_supported(threshold: Threshold):
    assert isinstance(threshold.mark, Mark)
    assert threshold.source and threshold.meaning and threshold.unit and threshold.name
    assert threshold.low <= threshold.value <= threshold.high
    assert getattr(Thresholds(), threshold.name) is not None


@named(EVERY)
def test_only_a_published_threshold_cites_its_source(threshold: Threshold):
    if threshold.mark is Mark.PUBLISHED:
        assert threshold.cited == threshold.source
        assert re.search(r"doi 10\.|\bPMC\d{7}\b", threshold.cited)
    elif threshold.mark is Mark.QUOTED:
        assert threshold.cited == f"{threshold.source}, read in a page quoting it"
    else:
        assert threshold.cited == threshold.mark.meaning
        assert "doi" not in threshold.cited and threshold.source not in ("", threshold.cited)


PUBLISHED = {
    "wear_share",
    "wear_hours",
    "epworth_change",
    "maximum_percent_of_range",
    "normal_index",
    "low_index",
    "halved_percent",
    "moderate_index",
    "severe_index",
    "positional_ratio",
    "alcohol_index",
    "weight_together_percent",
    "protrusive_range_mm",
    "overjet_change",
    "overbite_change",
}
QUOTED = {
    "central_share",
    "central_index",
    "teeth_in_arch",
    "half_yearly_days",
    "yearly_days",
    "adherent_sleep_share",
    "adherent_nights_of_seven",
    "coverage_index",
    "coverage_events",
    "coverage_low_index",
    "coverage_low_end",
    "coverage_low_events",
    "coverage_high_index",
    "coverage_hours",
    "small_range_mm",
}


def test_which_thresholds_are_published_and_which_are_ours():
    assert {t.name for t in EVERY if t.mark is Mark.PUBLISHED} == PUBLISHED
    assert {t.name for t in EVERY if t.mark is Mark.QUOTED} == QUOTED
    marks = {t.name: t.mark for t in EVERY}
    assert marks["stable_days"] is Mark.POLICY
    assert marks["snoring_settled"] is Mark.MEMORY
    assert marks["test_hours"] is Mark.MEMORY
    assert marks["minutes_not_controlled"] is Mark.MEMORY
    assert marks["coverage_days"] is Mark.MEMORY
    assert marks["t90_not_controlled"] is Mark.POLICY
    assert marks["rule_factor_4_arousal"] is Mark.POLICY
    assert marks["step_mm"] is Mark.PRACTICE


def test_each_mark_has_its_own_meaning():
    assert len({m.meaning for m in Mark}) == len(Mark)


# The defaults and permitted ranges of the clinical ground, one line each: name, value, lowest, highest, unit.
# The payer's numbers, the severity limits and the published response criteria do not move.
TABLE = [
    ("stable_days", "14", "7", "90", "d"),
    ("even_within_mm", "0.25", "0", "1", "mm"),
    ("wear_nights_needed", "7", "5", "28", "d"),
    ("wear_share", "0.70", "0.5", "1", "1"),
    ("wear_hours", "4", "3", "8", "h"),
    ("full_night_hours", "8", "6", "9", "h"),
    ("wear_recent_days", "28", "14", "90", "d"),
    ("snoring_settled", "3", "0", "5", "{score}"),
    ("restedness_settled", "7", "5", "10", "{score}"),
    ("epworth_settled", "10", "8", "11", "{score}"),
    ("epworth_change", "2", "1", "4", "{score}"),
    ("check_ins_needed", "2", "2", "4", "{check-ins}"),
    ("check_in_interval_days", "7", "1", "28", "d"),
    ("check_in_fresh_days", "28", "14", "90", "d"),
    ("side_effect_grade", "2", "1", "3", "{score}"),
    ("side_effect_persisting_days", "3", "1", "14", "d"),
    ("step_mm", "1", "0.1", "1", "mm"),
    ("smallest_step_mm", "0.25", "0.05", "1", "mm"),
    ("step_days", "7", "3", "28", "d"),
    ("step_nights_of_seven", "4", "3", "7", "d"),
    ("goal_mm", "2", "1", "5", "mm"),
    ("standard_parts_mm", "3", "2", "6", "mm"),
    ("maximum_percent_of_range", "70", "50", "85", "%"),
    ("wear_in_days", "7", "3", "21", "d"),
    ("same_report_hours", "20", "4", "23", "h"),
    ("tired_restedness", "4", "2", "6", "{score}"),
    ("epworth_asked_above", "8", "6", "10", "{score}"),
    ("epworth_flag_rise", "3", "2", "6", "{score}"),
    ("epworth_very_sleepy", "16", "14", "18", "{score}"),
    ("earlier_totals_needed", "2", "2", "6", "{totals}"),
    ("answer_days", "14", "7", "28", "d"),
    ("reporters_differ", "2", "1", "6", "{score}"),
    ("recorder_nights", "3", "1", "14", "d"),
    ("restedness_not_heard", "5", "4", "8", "{score}"),
    ("wear_contradiction_nights", "1", "0", "3", "d"),
    ("side_effect_free_days", "7", "3", "28", "d"),
    ("mild_side_effect_times", "2", "1", "4", "1"),
    ("sides_review_mm", "1", "0.5", "2", "mm"),
    ("percent_said", "75", "60", "90", "%"),
    ("percent_by_dentist", "90", "75", "100", "%"),
    ("test_hours", "4", "2", "6", "h"),
    ("normal_index", "5", "5", "5", "{events}/h"),
    ("low_index", "10", "10", "10", "{events}/h"),
    ("halved_percent", "50", "50", "50", "%"),
    ("moderate_index", "15", "15", "15", "{events}/h"),
    ("severe_index", "30", "30", "30", "{events}/h"),
    ("positional_ratio", "2", "2", "2", "1"),
    ("central_share", "0.5", "0.5", "0.5", "1"),
    ("central_index", "5", "5", "5", "{events}/h"),
    ("interval_percent", "95", "80", "99", "%"),
    ("least_test_hours", "2", "1", "3", "h"),
    ("part_worn_hours", "4", "2", "6", "h"),
    ("count_note_percent", "5", "2", "10", "%"),
    ("count_inconsistent_percent", "20", "10", "50", "%"),
    ("count_distance", "0.5", "0.1", "2", "{events}/h"),
    ("rule_factor_4_arousal", "2.48", "1.5", "4", "1"),
    ("rule_factor_4_3", "1.80", "1.2", "3", "1"),
    ("rule_factor_3_arousal", "1.38", "1.1", "2.5", "1"),
    ("sleep_factor", "1.25", "1", "1.6", "1"),
    ("supine_points", "20", "10", "50", "%"),
    ("supine_per_point", "0.1", "0", "0.5", "{events}/h"),
    ("alcohol_index", "7.1", "0", "15", "{events}/h"),
    ("weight_said_percent", "5", "2", "10", "%"),
    ("weight_together_percent", "10", "5", "20", "%"),
    ("baseline_old_days", "1826", "365", "3652", "d"),
    ("finding_days", "7", "1", "28", "d"),
    ("t90_not_controlled", "10", "5", "30", "%"),
    ("minutes_not_controlled", "5", "1", "60", "min"),
    ("t90_today", "25", "15", "60", "%"),
    ("spo2_today", "80", "70", "88", "%"),
    ("t90_rise_points", "5", "2", "20", "%"),
    ("t90_rise_times", "1.5", "1.1", "3", "1"),
    ("odi_rise", "5", "2", "15", "{events}/h"),
    ("odi_rise_percent", "50", "20", "200", "%"),
    ("index_rise", "5", "2", "15", "{events}/h"),
    ("index_rise_percent", "20", "10", "100", "%"),
    ("class_rise", "2", "1", "5", "{events}/h"),
    ("adult_years", "18", "18", "21", "a"),
    ("baseline_recent_days", "730", "180", "1825", "d"),
    ("protrusive_range_mm", "6", "4", "8", "mm"),
    ("teeth_in_arch", "10", "6", "12", "{teeth}"),
    ("coverage_index", "15", "15", "15", "{events}/h"),
    ("coverage_events", "30", "30", "30", "{events}"),
    ("coverage_low_index", "5", "5", "5", "{events}/h"),
    ("coverage_low_end", "14", "14", "14", "{events}/h"),
    ("coverage_low_events", "10", "10", "10", "{events}"),
    ("coverage_high_index", "30", "30", "30", "{events}/h"),
    ("small_range_mm", "5", "3", "6", "mm"),
    ("epworth_before_days", "730", "90", "1825", "d"),
    ("coverage_hours", "2", "2", "2", "h"),
    ("coverage_days", "90", "90", "90", "d"),
    ("first_visit_days", "30", "7", "60", "d"),
    ("second_visit_days", "60", "45", "90", "d"),
    ("second_visit_end_days", "90", "60", "180", "d"),
    ("half_yearly_days", "183", "90", "365", "d"),
    ("yearly_days", "365", "180", "730", "d"),
    ("visit_early_days", "14", "0", "30", "d"),
    ("visit_grace_days", "14", "0", "60", "d"),
    ("adherent_sleep_share", "0.80", "0.5", "1", "1"),
    ("adherent_nights_of_seven", "5", "3", "7", "d"),
    ("weight_change_percent", "10", "3", "20", "%"),
    ("wear_fall_share", "0.20", "0.1", "0.5", "1"),
    ("overjet_change", "0.35", "0.17", "0.35", "mm/a"),
    ("overbite_change", "0.21", "0.21", "0.21", "mm/a"),
    ("bite_times", "2", "1", "4", "1"),
    ("bite_interval_days", "180", "90", "730", "d"),
    ("undelivered_days", "3", "1", "14", "d"),
    ("referral_answer_days", "14", "3", "60", "d"),
    ("delivery_days", "60", "21", "180", "d"),
    ("report_days", "14", "7", "60", "d"),
    ("review_days", "7", "1", "28", "d"),
    ("test_order_days", "14", "3", "60", "d"),
    ("test_result_days", "60", "14", "180", "d"),
    ("decision_days", "21", "7", "90", "d"),
    ("hold_days", "60", "14", "180", "d"),
    ("red_flag_days", "2", "1", "5", "d"),
    ("closure_letters", "3", "1", "20", "{letters}"),
    ("silent_days", "28", "21", "90", "d"),
    ("titration_days", "84", "56", "182", "d"),
    ("settings_without_gain", "3", "2", "6", "{settings}"),
    ("least_gain", "2", "1", "4", "{score}"),
    ("side_effect_days", "7", "2", "28", "d"),
    ("retest_first_days", "730", "365", "1825", "d"),
    ("retest_every_days", "730", "365", "1825", "d"),
    ("snoring_retest_rise", "3", "2", "6", "{score}"),
    ("set_back_mm", "1", "0.5", "3", "mm"),
]


@pytest.mark.parametrize(("name", "value", "low", "high", "unit"), TABLE, ids=[row[0] for row in TABLE])
def test_default_values_and_ranges(name, value, low, high, unit):
    held = getattr(Thresholds(), name)
    assert (held.value, held.low, held.high, held.unit) == (Decimal(value), Decimal(low), Decimal(high), unit)


def test_every_threshold_stands_in_the_table():
    assert [row[0] for row in TABLE] == [t.name for t in EVERY]


def test_the_stable_weeks_may_be_7_to_90_days():
    held = Thresholds().stable_days
    assert (held.low, held.high) == (7, 90)


@named(EVERY)
def test_the_ends_of_the_range_are_permitted_and_beyond_them_refused(threshold: Threshold):
    for end in (threshold.low, threshold.high):
        assert getattr(Thresholds().with_values({threshold.name: end}), threshold.name).value == end
    small = Decimal("0.001")
    for beyond in (threshold.low - small, threshold.high + small, Decimal("NaN"), Decimal("Infinity")):
        with pytest.raises(ValueError, match=threshold.name):
            Thresholds().with_values({threshold.name: beyond})


@named(MOVABLE)
def test_a_site_value_keeps_mark_source_and_range(threshold: Threshold):
    other = threshold.low if threshold.value != threshold.low else threshold.high
    site = Thresholds().with_values({threshold.name: other})
    moved = getattr(site, threshold.name)
    assert (moved.value, moved.name, moved.mark, moved.low) == (other, threshold.name, threshold.mark, threshold.low)
    assert [t for t in site.all() if t.name != threshold.name] == [t for t in EVERY if t.name != threshold.name]
    assert (moved.set_by_site, moved.default) == (True, threshold.value)
    back = site.with_values({threshold.name: threshold.value})
    assert back == Thresholds()


@named(MOVABLE)
def test_a_site_value_is_called_so_and_never_passes_for_the_source(threshold: Threshold):
    other = threshold.low if threshold.value != threshold.low else threshold.high
    moved = getattr(Thresholds().with_values({threshold.name: other}), threshold.name)
    assert moved.cited.startswith("set by this site; default ")
    assert moved.cited.endswith(f"({threshold.cited})")
    data = threshold_data(moved)
    assert (data["set_by_site"], data["default"], data["cited"]) == (True, threshold.value, moved.cited)
    plain = threshold_data(threshold)
    assert (plain["set_by_site"], plain["default"], plain["cited"]) == (False, None, threshold.cited)


def test_a_value_moved_twice_still_tells_the_first_default():
    site = Thresholds().with_values({"stable_days": Decimal(21)}).with_values({"stable_days": Decimal(28)})
    assert site.stable_days.default == 14
    assert site.stable_days.cited == "set by this site; default 14 d (our default, no published value found)"


SITE_WORDS = [
    ("stable_days", "21", "default 14 d (our default"),
    ("wear_share", "0.6", "default 0.7 (Dieltjens 2013"),
    ("snoring_settled", "2", "default 3 (from memory, not verified)"),
    ("maximum_percent_of_range", "60", "default 70 % (Ma 2020"),
    ("teeth_in_arch", "8", "default 10 teeth (entry rule of a trial"),
    ("check_ins_needed", "3", "default 2 check-ins ("),
    ("adult_years", "21", "default 18 years ("),
    ("overjet_change", "0.2", "default 0.35 mm a year (Minagi 2018"),
]


@pytest.mark.parametrize(("name", "value", "says"), SITE_WORDS)
def test_a_site_value_in_words(name, value, says):
    assert says in getattr(Thresholds().with_values({name: Decimal(value)}), name).cited


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [("5", "{events}/h", "5 events/h"), ("30", "{events}", "30 events"), ("2.50", "mm", "2.5 mm")],
)
def test_values_with_their_units(value, unit, text):
    assert with_unit(Decimal(value), unit) == text


@named([t for t in MOVABLE if t.unit in ("d", "a", "{check-ins}", "{teeth}", "{totals}", "{settings}")])
def test_days_years_and_things_counted_are_whole(threshold: Threshold):
    with pytest.raises(ValueError, match=f"only whole numbers from {threshold.low} to {threshold.high}"):
        Thresholds().with_values({threshold.name: threshold.low + Decimal("0.5")})


@pytest.mark.parametrize("name", ["stable_weeks", "", "__class__", "all"])
def test_unknown_names_are_refused(name):
    with pytest.raises(ValueError, match="there is no threshold named"):
        Thresholds().with_values({name: Decimal(14)})


def test_one_refused_value_leaves_the_others_untouched():
    before = Thresholds()
    with pytest.raises(ValueError, match="step_days"):
        before.with_values({"stable_days": Decimal(21), "step_days": Decimal(2)})
    assert before == Thresholds()


def test_a_table_of_values_makes_a_set():
    site = thresholds_from_table({"stable_days": 21, "step_mm": Decimal("0.5")})
    assert (site.stable_days.value, site.step_mm.value) == (21, Decimal("0.5"))
    assert thresholds_from_table({}) == Thresholds()


REFUSED = [
    ({"stable_days": 6}, ["stable_days = 6 d: permitted are 7 to 90 d"]),
    ({"stable_days": Decimal("10.5")}, ["stable_days = 10.5 d: only whole numbers from 7 to 90 are permitted"]),
    ({"normal_index": 6}, ["normal_index = 6 {events}/h: permitted are 5 to 5 {events}/h"]),
    ({"stable_weeks": 2}, ["there is no threshold named stable_weeks"]),
    ({"stable_days": "14"}, ["stable_days = '14': a number is asked, written without quotes; permitted are 7 to 90 d"]),
    ({"stable_days": True}, ["stable_days = True: a number is asked, written without quotes; permitted are 7 to 90 d"]),
    ({"step_mm": 0.5}, ["step_mm = 0.5: a number is asked, written without quotes; permitted are 0.1 to 1 mm"]),
    ({"weeks": "2"}, ["weeks = '2': a number is asked, written without quotes"]),
    (
        {"step_days": 1, "goal_mm": 9, "stable_days": 21},
        ["goal_mm = 9 mm: permitted are 1 to 5 mm", "step_days = 1 d: permitted are 3 to 28 d"],
    ),
]


@pytest.mark.parametrize(("table", "lines"), REFUSED)
def test_a_table_is_refused_with_every_reason_at_once(table, lines):
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        thresholds_from_table(table)
    assert str(refused.value).splitlines() == lines
