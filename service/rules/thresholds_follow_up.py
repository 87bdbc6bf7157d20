"""Thresholds of follow-up, and how long each party has."""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.threshold import NONE_FOUND, Mark, Threshold, threshold

OVERBITE = "calculated from Pliska 2014, doi 10.5664/jcsm.4278, and Minagi 2018, doi 10.5664/jcsm.6896"
AADSM = "the follow-up policy of AASM and AADSM"
RADMAND = "Radmand 2021, doi 10.15331/jdsm.7204"


@dataclass(frozen=True)
class FollowUpThresholds:
    """Thresholds of follow-up, and how long each party has."""

    first_visit_days: Threshold = threshold(
        "30", "d", "7", "60", Mark.MEMORY, "none verified", "days from delivery to the first follow-up visit"
    )
    second_visit_days: Threshold = threshold(
        "60", "d", "45", "90", Mark.MEMORY, "none verified", "days from delivery from which the second visit is due"
    )
    second_visit_end_days: Threshold = threshold(
        "90", "d", "60", "180", Mark.MEMORY, "none verified", "days from delivery by which the second visit is made"
    )
    half_yearly_days: Threshold = threshold(
        "183", "d", "90", "365", Mark.QUOTED, AADSM, "days between visits in the first year after efficacy is verified"
    )
    yearly_days: Threshold = threshold(
        "365", "d", "180", "730", Mark.QUOTED, AADSM, "days between visits after the first year"
    )
    visit_early_days: Threshold = threshold(
        "14",
        "d",
        "0",
        "30",
        Mark.POLICY,
        NONE_FOUND,
        "days before its date from which a visit counts as the planned one",
    )
    visit_grace_days: Threshold = threshold(
        "14", "d", "0", "60", Mark.POLICY, NONE_FOUND, "days after its date before a visit is called overdue"
    )
    adherent_sleep_share: Threshold = threshold(
        "0.80", "1", "0.5", "1", Mark.QUOTED, RADMAND, "share of sleep time worn that makes an adherent night"
    )
    adherent_nights_of_seven: Threshold = threshold(
        "5", "d", "3", "7", Mark.QUOTED, RADMAND, "adherent nights a week of an adherent patient"
    )
    weight_change_percent: Threshold = threshold(
        "10", "%", "3", "20", Mark.POLICY, NONE_FOUND, "change of weight since the test that sends a patient back"
    )
    wear_fall_share: Threshold = threshold(
        "0.20",
        "1",
        "0.1",
        "0.5",
        Mark.POLICY,
        NONE_FOUND,
        "fall in the share of nights worn that sends a patient back",
    )
    overjet_change: Threshold = threshold(
        "0.35",
        "mm/a",
        "0.17",
        "0.35",
        Mark.PUBLISHED,
        "Minagi 2018, doi 10.5664/jcsm.6896",
        "mean yearly decrease of the overjet",
    )
    overbite_change: Threshold = threshold(
        "0.21", "mm/a", "0.21", "0.21", Mark.PUBLISHED, OVERBITE, "mean yearly decrease of the overbite"
    )
    bite_times: Threshold = threshold(
        "2", "1", "1", "4", Mark.POLICY, NONE_FOUND, "multiple of the mean change above which it is called fast"
    )
    bite_interval_days: Threshold = threshold(
        "180", "d", "90", "730", Mark.POLICY, NONE_FOUND, "days between two examinations before a change is judged"
    )
    undelivered_days: Threshold = threshold(
        "3",
        "d",
        "1",
        "14",
        Mark.POLICY,
        NONE_FOUND,
        "days in which the sender has a referral delivered that names an office not registered here",
    )
    referral_answer_days: Threshold = threshold(
        "14", "d", "3", "60", Mark.POLICY, NONE_FOUND, "days for an answer to a referral, or to a request to cancel one"
    )
    delivery_days: Threshold = threshold(
        "60", "d", "21", "180", Mark.POLICY, NONE_FOUND, "days from acceptance to delivery"
    )
    report_days: Threshold = threshold(
        "14", "d", "7", "60", Mark.POLICY, NONE_FOUND, "days without any report before a patient may be lost"
    )
    review_days: Threshold = threshold(
        "7", "d", "1", "28", Mark.POLICY, NONE_FOUND, "days for a review after a red flag"
    )
    test_order_days: Threshold = threshold(
        "14", "d", "3", "60", Mark.POLICY, NONE_FOUND, "days to order a proposed test"
    )
    test_result_days: Threshold = threshold(
        "60", "d", "14", "180", Mark.POLICY, NONE_FOUND, "days from an order to its result"
    )
    decision_days: Threshold = threshold(
        "21", "d", "7", "90", Mark.POLICY, NONE_FOUND, "days for the physician's next decision"
    )
    hold_days: Threshold = threshold(
        "60", "d", "14", "180", Mark.POLICY, NONE_FOUND, "days on hold before somebody asks why"
    )
    red_flag_days: Threshold = threshold(
        "2",
        "d",
        "1",
        "5",
        Mark.POLICY,
        NONE_FOUND,
        "working days for the physician to answer a red flag that is not for the same day",
    )
    closure_letters: Threshold = threshold(
        "3",
        "{letters}",
        "1",
        "20",
        Mark.POLICY,
        NONE_FOUND,
        "letters that tell what was done about a red flag at least",
    )
    silent_days: Threshold = threshold(
        "28", "d", "21", "90", Mark.POLICY, NONE_FOUND, "days of silence after which the physician is told"
    )
    titration_days: Threshold = threshold(
        "84",
        "d",
        "56",
        "182",
        Mark.POLICY,
        NONE_FOUND,
        "days from delivery after which the physician is asked whether to test anyway",
    )
    settings_without_gain: Threshold = threshold(
        "3",
        "{settings}",
        "2",
        "6",
        Mark.POLICY,
        NONE_FOUND,
        "settings in a row without a gain after which the physician is asked",
    )
    least_gain: Threshold = threshold(
        "2", "{score}", "1", "4", Mark.POLICY, NONE_FOUND, "gain in snoring or Epworth total that counts as one"
    )
    side_effect_days: Threshold = threshold(
        "7", "d", "2", "28", Mark.POLICY, NONE_FOUND, "days for the dentist to see a limiting side effect"
    )
    retest_first_days: Threshold = threshold(
        "730", "d", "365", "1825", Mark.POLICY, NONE_FOUND, "days after a good test from which another is proposed"
    )
    retest_every_days: Threshold = threshold(
        "730", "d", "365", "1825", Mark.POLICY, NONE_FOUND, "days between the tests after that"
    )
    snoring_retest_rise: Threshold = threshold(
        "3", "{score}", "2", "6", Mark.POLICY, NONE_FOUND, "rise of snoring since a good test that leads to another"
    )
    set_back_mm: Threshold = threshold(
        "1", "mm", "0.5", "3", Mark.POLICY, NONE_FOUND, "setting back since a good test that leads to another"
    )
