"""Thresholds of sleep tests: what makes one valid, consistent and comparable, and what its index hides."""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.threshold import NONE_FOUND, Mark, Threshold, threshold

SUTHERLAND = "Sutherland 2015, doi 10.5664/jcsm.4934"
SEVERITY = "doi 10.1186/s13063-019-3698-4"
CENTRAL = "the usual definition of central sleep apnoea"
HO = "ratio of the medians in Ho 2015, doi 10.5665/sleep.5234"


@dataclass(frozen=True)
class TestThresholds:
    """Thresholds of sleep tests: what makes one valid, consistent and comparable, and what its index hides."""

    test_hours: Threshold = threshold(
        "4", "h", "2", "6", Mark.MEMORY, "none verified", "recording hours for an adequate sleep test"
    )
    normal_index: Threshold = threshold(
        "5", "{events}/h", "5", "5", Mark.PUBLISHED, SUTHERLAND, "index below which apnoea is resolved"
    )
    low_index: Threshold = threshold(
        "10", "{events}/h", "10", "10", Mark.PUBLISHED, SUTHERLAND, "index of the second response criterion"
    )
    halved_percent: Threshold = threshold(
        "50", "%", "50", "50", Mark.PUBLISHED, SUTHERLAND, "fall in the index that counts as response"
    )
    moderate_index: Threshold = threshold(
        "15", "{events}/h", "15", "15", Mark.PUBLISHED, SEVERITY, "index from which apnoea is moderate"
    )
    severe_index: Threshold = threshold(
        "30", "{events}/h", "30", "30", Mark.PUBLISHED, SEVERITY, "index from which apnoea is severe"
    )
    positional_ratio: Threshold = threshold(
        "2", "1", "2", "2", Mark.PUBLISHED, "doi 10.15331/jdsm.6918", "supine index as a multiple of the non-supine one"
    )
    central_share: Threshold = threshold(
        "0.5", "1", "0.5", "0.5", Mark.QUOTED, CENTRAL, "share of central events above which apnoea is central"
    )
    central_index: Threshold = threshold(
        "5", "{events}/h", "5", "5", Mark.QUOTED, CENTRAL, "central index from which apnoea can be called central"
    )
    interval_percent: Threshold = threshold(
        "95", "%", "80", "99", Mark.PRACTICE, "none", "level of the intervals around a measured index"
    )
    least_test_hours: Threshold = threshold(
        "2", "h", "1", "3", Mark.POLICY, NONE_FOUND, "hours under which a sleep test is invalid"
    )
    part_worn_hours: Threshold = threshold(
        "4", "h", "2", "6", Mark.POLICY, NONE_FOUND, "hours with the appliance in that make a part of a night valid"
    )
    count_note_percent: Threshold = threshold(
        "5",
        "%",
        "2",
        "10",
        Mark.POLICY,
        NONE_FOUND,
        "distance of an index from its own count that is a question to the laboratory",
    )
    count_inconsistent_percent: Threshold = threshold(
        "20",
        "%",
        "10",
        "50",
        Mark.POLICY,
        NONE_FOUND,
        "distance of an index from its own count that makes a test inconsistent",
    )
    count_distance: Threshold = threshold(
        "0.5",
        "{events}/h",
        "0.1",
        "2",
        Mark.POLICY,
        NONE_FOUND,
        "distance of an index from its own count that is passed over",
    )
    rule_factor_4_arousal: Threshold = threshold(
        "2.48", "1", "1.5", "4", Mark.POLICY, HO, "stress between 4 % and 3 % or arousal"
    )
    rule_factor_4_3: Threshold = threshold("1.80", "1", "1.2", "3", Mark.POLICY, HO, "stress between 4 % and 3 %")
    rule_factor_3_arousal: Threshold = threshold(
        "1.38", "1", "1.1", "2.5", Mark.POLICY, HO, "stress between 3 % and 3 % or arousal"
    )
    sleep_factor: Threshold = threshold(
        "1.25",
        "1",
        "1",
        "1.6",
        Mark.POLICY,
        NONE_FOUND,
        "stress between an index per recording and one per sleep when hours are untold",
    )
    supine_points: Threshold = threshold(
        "20", "%", "10", "50", Mark.POLICY, NONE_FOUND, "difference of the supine shares of two tests that counts"
    )
    supine_per_point: Threshold = threshold(
        "0.1",
        "{events}/h",
        "0",
        "0.5",
        Mark.POLICY,
        "two meeting abstracts",
        "stress for each point of the supine share",
    )
    alcohol_index: Threshold = threshold(
        "7.1",
        "{events}/h",
        "0",
        "15",
        Mark.PUBLISHED,
        "PMC8520474",
        "stress when alcohol was told at the baseline alone",
    )
    weight_said_percent: Threshold = threshold(
        "5", "%", "2", "10", Mark.POLICY, NONE_FOUND, "change of weight between two tests that is said"
    )
    weight_together_percent: Threshold = threshold(
        "10",
        "%",
        "5",
        "20",
        Mark.PUBLISHED,
        "Peppard 2000, doi 10.1001/jama.284.23.3015",
        "loss of weight that is named as a part of the effect",
    )
    baseline_old_days: Threshold = threshold(
        "1826",
        "d",
        "365",
        "3652",
        Mark.POLICY,
        "a board's case rule",
        "age of a baseline that is said with the response",
    )
    finding_days: Threshold = threshold(
        "7", "d", "1", "28", Mark.POLICY, NONE_FOUND, "days for the physician to review what an index hides"
    )
    t90_not_controlled: Threshold = threshold(
        "10",
        "%",
        "5",
        "30",
        Mark.POLICY,
        "anchored in doi 10.2147/NSS.S388238",
        "time under 90 % saturation from which oxygen is not controlled",
    )
    minutes_not_controlled: Threshold = threshold(
        "5",
        "min",
        "1",
        "60",
        Mark.MEMORY,
        "none verified",
        "minutes at or under 88 % saturation from which oxygen is not controlled",
    )
    t90_today: Threshold = threshold(
        "25",
        "%",
        "15",
        "60",
        Mark.POLICY,
        "anchored in doi 10.2147/NSS.S388238",
        "time under 90 % saturation that is reviewed the same day",
    )
    spo2_today: Threshold = threshold(
        "80",
        "%",
        "70",
        "88",
        Mark.POLICY,
        NONE_FOUND,
        "lowest saturation that is reviewed the same day when oxygen is not controlled",
    )
    t90_rise_points: Threshold = threshold(
        "5", "%", "2", "20", Mark.POLICY, NONE_FOUND, "rise of the time under 90 % saturation that is worse"
    )
    t90_rise_times: Threshold = threshold(
        "1.5", "1", "1.1", "3", Mark.POLICY, NONE_FOUND, "multiple of the time under 90 % saturation that is worse"
    )
    odi_rise: Threshold = threshold(
        "5", "{events}/h", "2", "15", Mark.POLICY, NONE_FOUND, "rise of the desaturation index that is worse"
    )
    odi_rise_percent: Threshold = threshold(
        "50", "%", "20", "200", Mark.POLICY, NONE_FOUND, "relative rise of the desaturation index that is worse"
    )
    index_rise: Threshold = threshold(
        "5", "{events}/h", "2", "15", Mark.POLICY, NONE_FOUND, "rise of the index that is worse"
    )
    index_rise_percent: Threshold = threshold(
        "20", "%", "10", "100", Mark.POLICY, NONE_FOUND, "relative rise of the index that is worse"
    )
    class_rise: Threshold = threshold(
        "2",
        "{events}/h",
        "1",
        "5",
        Mark.POLICY,
        NONE_FOUND,
        "rise of the index into a higher severity class that is worse",
    )
