"""Exact intervals against scipy.stats, over a grid that holds counts of 0, and what refuses an interval."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, chi2

from service.rules.statistics import proportion_interval, rate_interval, ratio_interval

from .build import rows

COUNTS = [0, 1, 2, 3, 7, 20, 63, 150, 400, 1300]
LEVELS = [0.8, 0.95, 0.99]


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("events", COUNTS)
@pytest.mark.parametrize("hours", [0.5, 4.0, 7.25])
def test_rate_against_scipy_chi2(events, hours, level):
    # Garwood by the chi-square distribution: chi2.ppf(tail, 2k) / 2 and chi2.ppf(1 - tail, 2k + 2) / 2.
    tail = (1 - level) / 2
    found = rate_interval(events, hours, level)
    low = chi2.ppf(tail, 2 * events) / 2 / hours if events else 0
    assert found.low == pytest.approx(low, rel=1e-8, abs=1e-12)
    assert found.high == pytest.approx(chi2.ppf(1 - tail, 2 * events + 2) / 2 / hours, rel=1e-8)


PROPORTIONS = [(k, n) for n in (1, 2, 5, 30, 171, 900) for k in sorted({0, 1, 2, n // 3, n // 2, n - 1, n}) if k <= n]


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize(("successes", "trials"), PROPORTIONS)
def test_proportion_against_scipy_beta(successes, trials, level):
    # Clopper-Pearson by the beta distribution.
    tail = (1 - level) / 2
    found = proportion_interval(successes, trials, level)
    low = beta.ppf(tail, successes, trials - successes + 1) if successes else 0
    high = beta.ppf(1 - tail, successes + 1, trials - successes) if successes < trials else 1
    assert found.low == pytest.approx(low, rel=1e-8, abs=1e-12)
    assert found.high == pytest.approx(high, rel=1e-8)


RATIOS = [(b, a) for b in (0, 1, 5, 40, 160) for a in (0, 1, 5, 40, 160) if a + b]


@pytest.mark.parametrize("hours", [(7.0, 7.0), (4.0, 6.5), (8.0, 3.0)])
@pytest.mark.parametrize(("before", "after"), RATIOS)
def test_ratio_against_scipy_beta(before, after, hours):
    total = before + after
    low = beta.ppf(0.025, after, before + 1) if after else 0
    found = ratio_interval(before, hours[0], after, hours[1], 0.95)
    assert found is not None
    assert found.low == pytest.approx(low / (1 - low) * hours[0] / hours[1], rel=1e-8, abs=1e-12)
    if before == 0:
        assert found.high is None
    else:
        high = beta.ppf(0.975, after + 1, before)
        assert found.high == pytest.approx(high / (1 - high) * hours[0] / hours[1], rel=1e-8)
    assert total > 0


def test_no_event_at_all_says_nothing_about_the_ratio():
    assert ratio_interval(0, 7.0, 0, 7.0, 0.95) is None


def test_no_event_in_a_night_still_allows_a_rate():
    # Rule of three: about 3 divided by the hours, at 95 % one-sided 3.0; two-sided 3.689.
    assert rate_interval(0, 1.0, 0.95).high == pytest.approx(3.6888794541)
    assert rate_interval(0, 1.0, 0.95).low == 0


REFUSED = rows(
    ("a negative count", lambda: rate_interval(-1, 7.0, 0.95), "-1 events in 7.0 h"),
    ("no hours", lambda: rate_interval(3, 0.0, 0.95), "3 events in 0.0 h"),
    ("negative hours", lambda: rate_interval(3, -1.0, 0.95), "3 events in -1.0 h"),
    ("a level of 0", lambda: rate_interval(3, 7.0, 0.0), "0.0 is not a level"),
    ("a level of 1", lambda: proportion_interval(1, 2, 1.0), "1.0 is not a level"),
    ("more successes than trials", lambda: proportion_interval(3, 2, 0.95), "3 of 2"),
    ("fewer than none", lambda: proportion_interval(-1, 2, 0.95), "-1 of 2"),
    ("no trial", lambda: proportion_interval(0, 0, 0.95), "0 of 0"),
)


@pytest.mark.parametrize(("ask", "says"), REFUSED)
def test_what_gives_no_interval(ask, says):
    with pytest.raises(ValueError, match=says):
        ask()


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 4000), st.floats(0.1, 24), st.sampled_from(LEVELS))
def test_the_rate_lies_in_its_interval_and_a_higher_level_widens_it(events, hours, level):
    found, wider = rate_interval(events, hours, level), rate_interval(events, hours, 0.999)
    assert found.high is not None and wider.high is not None
    assert wider.low <= found.low <= events / hours <= found.high < wider.high


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 500), st.integers(0, 500), st.floats(0.5, 20), st.floats(0.5, 20))
def test_turning_the_ratio_round_turns_its_interval_round(before, after, hours_before, hours_after):
    if not before or not after:
        return
    one = ratio_interval(before, hours_before, after, hours_after, 0.95)
    other = ratio_interval(after, hours_after, before, hours_before, 0.95)
    assert one and other and one.high and other.high
    assert one.low == pytest.approx(1 / other.high, rel=1e-6)
    assert one.high == pytest.approx(1 / other.low, rel=1e-6)
