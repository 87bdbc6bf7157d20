"""The same seed gives the same answer, on any number of processes, and both sets meet the same patients."""

from decimal import Decimal
from random import Random

import pytest

from service.rehearsal.cohort import Plan, rehearse
from service.rehearsal.parameters import Parameters
from service.rehearsal.patient import measured_ahi
from service.rules.thresholds import Thresholds
from tests.rehearsal.cohorts import cohort

LATER = Thresholds().with_values({"stable_days": Decimal(28)})
ONLY_OF_AGE = Thresholds().with_values({"adult_years": Decimal(21)})


def test_same_seed_same_cases() -> None:
    assert cohort(120, seed=7) == cohort(120, seed=7)


def test_another_seed_gives_other_patients() -> None:
    assert cohort(120, seed=7) != cohort(120, seed=8)


@pytest.mark.long
def test_number_of_processes_does_not_matter() -> None:
    plan = Plan(cases=410, seed=3, weeks=12)
    alone = rehearse(plan, [Thresholds(), LATER], processes=1)
    assert rehearse(plan, [Thresholds(), LATER], processes=2) == alone
    assert rehearse(plan, [Thresholds(), LATER], processes=5) == alone


@pytest.mark.long
def test_a_larger_cohort_begins_with_the_smaller_one() -> None:
    assert cohort(260, weeks=12)[:90] == cohort(90, weeks=12)


def test_a_threshold_that_the_course_never_meets_changes_nothing() -> None:
    plan = Plan(cases=150, seed=2)
    own, other = rehearse(plan, [Thresholds(), ONLY_OF_AGE], processes=1)
    assert own == other


@pytest.mark.long
def test_both_sets_meet_the_same_patients() -> None:
    own, later = rehearse(Plan(cases=150, seed=2), [Thresholds(), LATER], processes=1)
    assert own != later
    assert [c.can_benefit for c in own] == [c.can_benefit for c in later]


def test_measured_falls_with_the_true_ahi_under_the_same_luck() -> None:
    """The retest of one patient draws the same night whatever the setting, so a better setting never measures worse."""
    for seed in range(40):
        measured = [measured_ahi(Random(seed), true, Parameters()) for true in (2.0, 4.0, 8.0, 16.0, 32.0)]
        assert measured == sorted(measured)
