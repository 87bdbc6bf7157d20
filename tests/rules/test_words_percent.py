"""Per cent as it is printed: half up, and next to a limit cut towards the side it is on, so that nothing looks met that is not."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.words import percent

from .build import rows

WITHOUT_A_LIMIT = rows(
    ("12 of 14 nights", Decimal(12) / 14, "86 %"),
    ("half up", Decimal("0.855"), "86 %"),
    ("just under half", Decimal("0.85499"), "85 %"),
    ("none", Decimal(0), "0 %"),
    ("all", Decimal(1), "100 %"),
    ("more than all", Decimal("1.2"), "120 %"),
    ("without a limit 49.95 % is 50 %", Decimal("0.4995"), "50 %"),
)


@pytest.mark.parametrize(("share", "text"), WITHOUT_A_LIMIT)
def test_rounded_half_up(share, text):
    assert percent(share) == text


NEXT_TO_A_LIMIT = rows(
    ("far from it", "0.432", ("0.5",), "43 %"),
    ("on it", "0.5", ("0.5",), "50 %"),
    ("49.4 % needs no decimal", "0.494", ("0.5",), "49 %"),
    ("49.5 % would be 50 %", "0.495", ("0.5",), "49.5 %"),
    ("49.95 % would be 50.0 %", "0.4995", ("0.5",), "49.95 %"),
    ("49.994 % in two decimals", "0.49994", ("0.5",), "49.99 %"),
    ("49.996 % is cut, not rounded", "0.49996", ("0.5",), "49.99 %"),
    ("50.4 % would be 50 %", "0.504", ("0.5",), "50.4 %"),
    ("50.04 %", "0.5004", ("0.5",), "50.04 %"),
    ("50.001 % is cut upwards", "0.50001", ("0.5",), "50.01 %"),
    ("69.9 % of a 70 % limit", "0.699", ("0.70",), "69.9 %"),
    ("69.23 % needs no decimal", "0.6923", ("0.70",), "69 %"),
    ("two limits, under the upper", "0.7999", ("0.5", "0.8"), "79.99 %"),
    ("two limits, over the lower", "0.5001", ("0.5", "0.8"), "50.01 %"),
    ("9 of 13 nights of 70 %", "0.692307", ("0.7",), "69 %"),
)


@pytest.mark.parametrize(("share", "limits", "text"), NEXT_TO_A_LIMIT)
def test_next_to_a_limit(share, limits, text):
    assert percent(Decimal(share), *(Decimal(limit) for limit in limits)) == text


@given(st.decimals(0, 2, places=6), st.sampled_from(["0.5", "0.7", "0.8", "1"]))
def test_what_is_printed_stands_on_the_side_of_the_limit_that_the_value_is_on(share, limit):
    share, limit = Decimal(share), Decimal(limit)
    shown = Decimal(percent(share, limit).removesuffix(" %")) / 100
    assert (shown < limit, shown > limit) == (share < limit, share > limit)
    assert abs(shown - share) <= Decimal("0.005")
    exponent = (shown * 100).normalize().as_tuple().exponent
    assert isinstance(exponent, int) and exponent >= -2
