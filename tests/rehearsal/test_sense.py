"""The model moves the way it must when one thing is changed."""

from itertools import pairwise
from statistics import mean, median

import pytest

from service.rehearsal.treatment import Ending
from tests.rehearsal.cohorts import PERFECT_DOSE, WITHOUT_TROUBLE, cohort, retests


@pytest.mark.long
def test_longer_stable_time_means_later_retests() -> None:
    weeks = [mean(c.weeks for c in retests(cohort(stable_days=days))) for days in ("14", "28", "56")]
    assert all(later > earlier for earlier, later in pairwise(weeks))


@pytest.mark.long
def test_two_weekly_check_ins_already_take_fourteen_days() -> None:
    """Under 14 days the stable time is not felt where somebody hears the patient: two check-ins must agree."""
    heard = {"partner_share": 1.0}
    assert cohort(stable_days="7", parameters=heard) == cohort(stable_days="14", parameters=heard)
    assert cohort(stable_days="7", parameters=heard) != cohort(stable_days="21", parameters=heard)


def test_who_sleeps_alone_is_tested_too() -> None:
    """Nobody hears them: they are asked for sleepiness instead, and none of them waits for ever."""
    alone = cohort(parameters={"partner_share": 0.0, "drop_out_chance": 0.0})
    assert all(c.ending is Ending.RETEST for c in alone)


@pytest.mark.long
def test_who_grows_sleepier_waits_for_the_physician() -> None:
    """A red flag by rule holds titration until the physician has closed it."""
    calm, sleepier = (cohort(parameters={"worsens_share": share}) for share in (0.0, 1.0))
    assert mean(c.weeks for c in retests(sleepier)) > mean(c.weeks for c in retests(calm))


def test_no_retest_before_the_setting_can_be_stable() -> None:
    assert min(c.weeks for c in retests(cohort(stable_days="28"))) >= 4


@pytest.mark.long
def test_more_check_ins_mean_later_retests() -> None:
    two, four = cohort(check_ins_needed="2"), cohort(check_ins_needed="4")
    assert median(c.weeks for c in retests(two)) < median(c.weeks for c in retests(four))


@pytest.mark.long
def test_stricter_wear_means_later_tests_and_more_of_them_with_something_unsettled() -> None:
    """After twelve weeks the physician is asked: nobody waits for ever, whatever is asked of wear."""
    cohorts = [retests(cohort(wear_hours=hours)) for hours in ("3", "5", "7")]
    weeks, unsettled = (
        [mean(c.weeks for c in held) for held in cohorts],
        [sum(c.at_limit for c in held) for held in cohorts],
    )
    assert weeks == sorted(weeks) and weeks[-1] > weeks[0]
    assert unsettled[-1] > unsettled[0]


def test_perfect_dose_without_trouble_nearly_always_works() -> None:
    cases = cohort(parameters=WITHOUT_TROUBLE | PERFECT_DOSE)
    tested = retests(cases)
    assert len(tested) >= 0.97 * len(cases)
    assert sum(c.found[0] for c in tested) >= 0.97 * len(tested)
    assert sum(c.found[2] for c in tested) >= 0.99 * len(tested)


def test_where_it_works_from_the_first_night_every_week_is_waiting() -> None:
    for case in retests(cohort(100, parameters=WITHOUT_TROUBLE | PERFECT_DOSE)):
        assert case.waited_weeks[2] == case.weeks


def test_no_benefit_at_all_is_hardly_ever_found() -> None:
    nothing = {"no_benefit_share": 1.0, "no_benefit_fall_mean": 0.0, "no_benefit_fall_sd": 0.0}
    tested = retests(cohort(parameters=WITHOUT_TROUBLE | nothing))
    assert tested
    assert not any(c.truly[2] for c in tested)
    assert sum(c.found[2] for c in tested) <= 0.05 * len(tested)


def test_relief_without_benefit_still_comes_up_for_the_test() -> None:
    """Placebo-like relief settles symptoms without touching the AHI: the test is what tells them apart."""
    misled = {"no_benefit_share": 1.0, "no_benefit_fall_mean": 0.0, "no_benefit_fall_sd": 0.0, "placebo_relief": 0.8}
    tested = retests(cohort(parameters=WITHOUT_TROUBLE | misled))
    settled = [c for c in tested if not c.at_limit]
    assert len(settled) >= 0.5 * len(tested)
    assert not any(c.truly[0] for c in settled if c.true_ahi >= 5)


def test_side_effects_hold_cases_back() -> None:
    often = {"side_effect_chance": 0.3, "moderate_share": 0.8, "severe_share": 0.2, "drop_out_chance": 0.0}
    calm, troubled = cohort(parameters={"drop_out_chance": 0.0}), cohort(parameters=often)
    assert mean(c.weeks for c in retests(troubled)) > mean(c.weeks for c in retests(calm))


def test_missed_check_ins_make_it_later() -> None:
    told = mean(c.weeks for c in retests(cohort(parameters={"missed_check_in": 0.0})))
    missed = mean(c.weeks for c in retests(cohort(parameters={"missed_check_in": 0.5})))
    assert missed > told


@pytest.mark.parametrize("chance", [0.0, 1.0])
def test_drop_out_at_its_ends(chance: float) -> None:
    left = sum(c.ending is Ending.DROPPED_OUT for c in cohort(60, parameters={"drop_out_chance": chance}))
    assert left == (60 if chance else 0)


def test_default_cohort_is_not_absurd() -> None:
    """Wide bounds around what is known: about a third completely, over half at least halved; 5 to 40 weeks."""
    tested = retests(cohort(400, weeks=52))
    assert 0.25 <= mean(c.found[0] for c in tested) <= 0.45
    assert 0.45 <= mean(c.found[2] for c in tested) <= 0.70
    assert 4 <= median(c.weeks for c in tested) <= 40
