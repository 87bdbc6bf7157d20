"""What is refused on arrival, and what a measured value can be at all."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from service.rules import limits
from service.rules.arrival import age_on, outside_scope, setting_beyond_appliance

from .build import DEFAULTS, appliance, case, dec, rows, setting

BEYOND = rows(
    ("no appliance", (), "9", None, False),
    ("appliance without a limit", (appliance(),), "9", None, False),
    ("at the limit", (appliance(maximum_advance_mm="5"),), "5", None, False),
    ("just beyond", (appliance(maximum_advance_mm="5"),), "5.1", None, True),
    ("one side beyond", (appliance(maximum_advance_mm="5"),), "1", "5.5", True),
    ("by the appliance in use that day", (appliance(60, maximum_advance_mm="5"), appliance(10)), "6", None, True),
)


@pytest.mark.parametrize(("appliances", "left", "right", "refused"), BEYOND)
def test_a_setting_beyond_the_appliance(appliances, left, right, refused):
    said = setting_beyond_appliance(case(appliances=appliances), setting(21, left, right))
    assert bool(said) is refused
    if said:
        further = max(Decimal(left), Decimal(right or 0))
        assert said == (f"{further} mm is beyond the appliance delivered on 1 Aug 2026, which advances 5 mm at most.")


AGES = rows(
    ("birthday today", date(2008, 9, 30), 18),
    ("birthday tomorrow", date(2008, 10, 1), 17),
    ("birthday yesterday", date(2008, 9, 29), 18),
    ("later month, earlier day", date(2008, 11, 1), 17),
    ("earlier month, later day", date(2008, 2, 29), 18),
)


@pytest.mark.parametrize(("born", "age"), AGES)
def test_age_and_scope(born, age):
    on = date(2026, 9, 30)
    assert age_on(born, on) == age
    said = outside_scope(born, on, DEFAULTS)
    assert said == (
        None if age >= 18 else "The patient was 17 on 30 Sep 2026; under 18 is outside the scope of this service."
    )


LIMITS = [
    ("INDEX_PER_HOUR", "0", "200", "{events}/h"),
    ("EVENT_COUNT", "0", "4000", "{events}"),
    ("RECORDING_HOURS", "0.1", "24", "h"),
    ("ODI_DROP_PERCENT", "3", "4", "%"),
    ("SPO2_PERCENT", "20", "100", "%"),
    ("SHARE_PERCENT", "0", "100", "%"),
    ("ADVANCE_MM", "0", "15", "mm"),
    ("RANGE_MM", "0", "25", "mm"),
    ("POSITION_MM", "0", "25", "mm"),
    ("STEP_MM", "0.05", "2", "mm"),
    ("OVERBITE_MM", "-15", "20", "mm"),
    ("TEETH_IN_ARCH", "0", "16", "1"),
    ("SCALE_0_TO_10", "0", "10", "{score}"),
    ("EPWORTH_TOTAL", "0", "24", "{score}"),
    ("NIGHTS", "0", "31", "d"),
    ("HOURS_PER_NIGHT", "0", "16", "h"),
    ("WEIGHT_KG", "20", "400", "kg"),
    ("SIDE_EFFECT_GRADE", "0", "3", "{score}"),
]


@pytest.mark.parametrize(("name", "low", "high", "unit"), LIMITS)
def test_limits_of_plausibility(name, low, high, unit):
    held = getattr(limits, name)
    assert (held.low, held.high, held.unit) == (dec(low), dec(high), unit)
    assert held.why


def test_every_limit_stands_in_the_table():
    assert {n for n, v in vars(limits).items() if isinstance(v, limits.Limit)} == {row[0] for row in LIMITS}
