"""Published figures recomputed: what the rules calculate gives the numbers their sources print."""

from __future__ import annotations

from decimal import Decimal

import pytest
from scipy.stats import binomtest

from service.rules.decision import Criterion, ResponseClass
from service.rules.index_classes import classify, fall_percent, is_positional, severity
from service.rules.response import response_criteria
from service.rules.statistics import proportion_interval
from service.rules.words import rounded

from .build import DEFAULTS, rows

# Two arms of a trial: how many responded completely or had an effective treatment, of how many.
# Gagnadoux 2009 and Hoekema 2008 as printed in AHRQ Comparative Effectiveness Review 32.
TRIALS = rows(
    ("complete response, Gagnadoux 2009", (12, 28), (20, 28), "-28.6"),
    ("effective treatment, Hoekema 2008", (39, 51), (43, 52), "-6.2"),
)


@pytest.mark.parametrize(("appliance", "pap", "printed"), TRIALS)
def test_published_arms_and_their_exact_intervals(appliance, pap, printed):
    shares = [Decimal(k) * 100 / n for k, n in (appliance, pap)]
    assert rounded(shares[0] - shares[1], "0.1") == Decimal(printed)
    for k, n in (appliance, pap):
        exact = binomtest(k, n).proportion_ci(0.95, method="exact")
        ours = proportion_interval(k, n, 0.95)
        assert (ours.low, ours.high) == (pytest.approx(exact.low, rel=1e-8), pytest.approx(exact.high, rel=1e-8))
        assert ours.low < k / n < (ours.high or 0)


def met(criteria: tuple[Criterion, ...]) -> list[bool]:
    return [c.status == "met" for c in criteria]


# A public registry (project 11012, record 262742) prints the index of one arm before and after: 16.7 and 7.4.
# 8.0 and 4.5 are constructed, to show criteria that disagree.
CASES = rows(
    ("project 11012, record 262742", "16.7", "7.4", "55.69", ResponseClass.PARTIAL, [False, True, True]),
    ("constructed", "8.0", "4.5", "43.75", ResponseClass.NON_RESPONSE, [True, False, False]),
)


@pytest.mark.parametrize(("before", "after", "fall", "outcome", "which"), CASES)
def test_published_indices(before, after, fall, outcome, which):
    pair = (Decimal(before), Decimal(after))
    fell = fall_percent(*pair)
    assert fell is not None and rounded(fell, "0.01") == Decimal(fall)
    assert classify(*pair, DEFAULTS) is outcome
    assert met(response_criteria(*pair, DEFAULTS)) == which


def test_published_positional_means():
    # Group means 45.91 supine and 13.94 lateral (doi 10.15331/jdsm.6918), a check of the formula only.
    supine, lateral = Decimal("45.91"), Decimal("13.94")
    assert rounded(supine / lateral, "0.01") == Decimal("3.29")
    assert is_positional(supine, lateral, DEFAULTS)


def test_published_medians_by_scoring_rule_fall_into_different_classes_of_response():
    # Ho 2015, doi 10.5665/sleep.5234: the same nights, median AHI 5.4 (4 %), 9.7 (3 %), 13.4 (3 % or arousal).
    by_rule = [Decimal("5.4"), Decimal("9.7"), Decimal("13.4")]
    assert [severity(index, DEFAULTS) for index in by_rule] == ["mild"] * 3
    assert [met(response_criteria(Decimal(20), index, DEFAULTS))[1] for index in by_rule] == [True, True, False]
