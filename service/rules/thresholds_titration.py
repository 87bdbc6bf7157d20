"""Thresholds of the course of titration: settings, wear, symptoms, steps."""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.threshold import NONE_FOUND, Mark, Threshold, threshold

DIELTJENS = "Dieltjens 2013, doi 10.1378/chest.13-0613"
CROOK = "Crook 2019, doi 10.1136/thoraxjnl-2018-211959"
MA = "Ma 2020, doi 10.5664/jcsm.8556"


@dataclass(frozen=True)
class TitrationThresholds:
    """Thresholds of the course of titration: settings, wear, symptoms, steps."""

    stable_days: Threshold = threshold(
        "14", "d", "7", "90", Mark.POLICY, NONE_FOUND, "days at one setting before an efficacy test"
    )
    even_within_mm: Threshold = threshold(
        "0.25", "mm", "0", "1", Mark.POLICY, NONE_FOUND, "difference between the sides that counts as even"
    )
    wear_nights_needed: Threshold = threshold(
        "7", "d", "5", "28", Mark.POLICY, NONE_FOUND, "nights reported since the setting before wear is judged"
    )
    wear_share: Threshold = threshold(
        "0.70", "1", "0.5", "1", Mark.PUBLISHED, DIELTJENS, "share of reported nights on which the appliance was worn"
    )
    wear_hours: Threshold = threshold(
        "4", "h", "3", "8", Mark.PUBLISHED, DIELTJENS, "mean hours worn on nights it was worn"
    )
    full_night_hours: Threshold = threshold(
        "8", "h", "6", "9", Mark.POLICY, NONE_FOUND, "hours of a full night, to date the earliest recovery of wear"
    )
    wear_recent_days: Threshold = threshold(
        "28",
        "d",
        "14",
        "90",
        Mark.POLICY,
        NONE_FOUND,
        "days up to the last report, or to today, whose reports of wear count",
    )
    snoring_settled: Threshold = threshold(
        "3", "{score}", "0", "5", Mark.MEMORY, "none verified", "highest snoring score that counts as settled"
    )
    restedness_settled: Threshold = threshold(
        "7", "{score}", "5", "10", Mark.POLICY, NONE_FOUND, "lowest restedness score that counts as settled"
    )
    epworth_settled: Threshold = threshold(
        "10", "{score}", "8", "11", Mark.PRACTICE, "none", "highest Epworth total that is not sleepy"
    )
    epworth_change: Threshold = threshold(
        "2", "{score}", "1", "4", Mark.PUBLISHED, CROOK, "change in the Epworth total that is meaningful"
    )
    check_ins_needed: Threshold = threshold(
        "2", "{check-ins}", "2", "4", Mark.POLICY, NONE_FOUND, "last check-ins that must agree before symptoms count"
    )
    check_in_interval_days: Threshold = threshold(
        "7", "d", "1", "28", Mark.PRACTICE, "none", "days between check-ins during titration"
    )
    check_in_fresh_days: Threshold = threshold(
        "28", "d", "14", "90", Mark.POLICY, NONE_FOUND, "age at which a check-in no longer speaks for today"
    )
    side_effect_grade: Threshold = threshold(
        "2", "{score}", "1", "3", Mark.POLICY, NONE_FOUND, "grade of an open side effect that is not tolerated"
    )
    side_effect_persisting_days: Threshold = threshold(
        "3", "d", "1", "14", Mark.POLICY, NONE_FOUND, "days a new side effect may last before a step back"
    )
    step_mm: Threshold = threshold("1", "mm", "0.1", "1", Mark.PRACTICE, "none", "size of one titration step")
    smallest_step_mm: Threshold = threshold(
        "0.25", "mm", "0.05", "1", Mark.POLICY, NONE_FOUND, "room below which no further step is possible"
    )
    step_days: Threshold = threshold(
        "7", "d", "3", "28", Mark.PRACTICE, "none", "days at a setting before the next step"
    )
    step_nights_of_seven: Threshold = threshold(
        "4", "d", "3", "7", Mark.POLICY, NONE_FOUND, "nights worn of the last seven before the next step"
    )
    goal_mm: Threshold = threshold("2", "mm", "1", "5", Mark.PRACTICE, "none", "typical advancement aimed at")
    standard_parts_mm: Threshold = threshold(
        "3", "mm", "2", "6", Mark.PRACTICE, "none", "advancement reached with an appliance's standard parts"
    )
    maximum_percent_of_range: Threshold = threshold(
        "70", "%", "50", "85", Mark.PUBLISHED, MA, "share of the protrusive range above which gains level off"
    )
    wear_in_days: Threshold = threshold("7", "d", "3", "21", Mark.PRACTICE, "none", "days of wear-in after a delivery")
    same_report_hours: Threshold = threshold(
        "20", "h", "4", "23", Mark.POLICY, NONE_FOUND, "hours within which two check-ins count as one"
    )
    tired_restedness: Threshold = threshold(
        "4",
        "{score}",
        "2",
        "6",
        Mark.POLICY,
        NONE_FOUND,
        "restedness that contradicts an Epworth total that is not sleepy",
    )
    epworth_asked_above: Threshold = threshold(
        "8", "{score}", "6", "10", Mark.POLICY, NONE_FOUND, "Epworth total above which a meaningful rise is asked about"
    )
    epworth_flag_rise: Threshold = threshold(
        "3", "{score}", "2", "6", Mark.POLICY, NONE_FOUND, "rise of a sleepy Epworth total that is a red flag"
    )
    epworth_very_sleepy: Threshold = threshold(
        "16", "{score}", "14", "18", Mark.POLICY, NONE_FOUND, "Epworth total that is a red flag unless it has fallen"
    )
    earlier_totals_needed: Threshold = threshold(
        "2",
        "{totals}",
        "2",
        "6",
        Mark.POLICY,
        NONE_FOUND,
        "earlier Epworth totals before their median is compared with",
    )
    answer_days: Threshold = threshold(
        "14", "d", "7", "28", Mark.POLICY, NONE_FOUND, "days that an unanswered question holds back a step at most"
    )
    reporters_differ: Threshold = threshold(
        "2", "{score}", "1", "6", Mark.POLICY, NONE_FOUND, "difference between two reporters that is asked about"
    )
    recorder_nights: Threshold = threshold(
        "3", "d", "1", "14", Mark.POLICY, NONE_FOUND, "nights of a recorder before its snoring counts"
    )
    restedness_not_heard: Threshold = threshold(
        "5", "{score}", "4", "8", Mark.POLICY, NONE_FOUND, "restedness that settles snoring nobody can hear"
    )
    wear_contradiction_nights: Threshold = threshold(
        "1", "d", "0", "3", Mark.POLICY, NONE_FOUND, "nights by which overlapping reports of wear may differ unsaid"
    )
    side_effect_free_days: Threshold = threshold(
        "7", "d", "3", "28", Mark.POLICY, NONE_FOUND, "days without a limiting side effect before the next step"
    )
    mild_side_effect_times: Threshold = threshold(
        "2",
        "1",
        "1",
        "4",
        Mark.POLICY,
        NONE_FOUND,
        "multiple of the days before a step while a mild side effect is open",
    )
    sides_review_mm: Threshold = threshold(
        "1", "mm", "0.5", "2", Mark.POLICY, NONE_FOUND, "difference between the sides that the dentist reviews"
    )
    percent_said: Threshold = threshold(
        "75",
        "%",
        "60",
        "90",
        Mark.POLICY,
        NONE_FOUND,
        "share of the protrusive range from which a setting is remarked on",
    )
    percent_by_dentist: Threshold = threshold(
        "90",
        "%",
        "75",
        "100",
        Mark.POLICY,
        NONE_FOUND,
        "share of the protrusive range above which only the dentist sets",
    )
