"""Intervals and medians against an independent library."""

import pytest
from scipy import stats

from service.rehearsal.shares import Change, Share, spread


@pytest.mark.parametrize(("count", "of"), [(0, 10), (3, 10), (10, 10), (1, 1), (357, 1000), (9999, 10000)])
def test_wilson(count: int, of: int) -> None:
    expected = stats.binomtest(count, of).proportion_ci(0.95, method="wilson")
    assert Share(count, of).interval == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_a_share_of_nothing_has_no_value() -> None:
    assert (Share(0, 0).value, Share(0, 0).interval) == (None, None)
    assert Share(0, 0).as_data()["share"] is None


def test_spread_interpolates() -> None:
    held = spread([1, 2, 3, 4])
    assert (held.lower, held.median, held.upper) == (1.75, 2.5, 3.25)
    assert spread([6]).as_data() == {"count": 1, "lower_quartile": 6, "median": 6, "upper_quartile": 6}
    assert spread([]).median is None


def test_paired_change() -> None:
    """30 of 200 gained, 10 lost: +10 points, standard error sqrt(40 - 20**2 / 200) / 200 = 3.08 points."""
    held = Change(only_a=10, only_b=30, of=200)
    assert held.difference == pytest.approx(0.10)
    assert held.interval == pytest.approx((0.10 - 1.959964 * 0.030822, 0.10 + 1.959964 * 0.030822), abs=1e-6)


def test_no_change_has_no_width() -> None:
    assert Change(0, 0, 50).interval == (0, 0)
