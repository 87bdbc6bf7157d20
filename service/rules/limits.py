"""What a measured value can be at all. Outside it, a value is a slip of the pen and is refused.

These are bounds of plausibility, not clinical thresholds (`thresholds.py`): no decision depends on them.
All are policy of this project unless a reason says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Limit:
    """Lowest and highest value accepted, inclusive, in `unit` (UCUM), and why."""

    low: Decimal
    high: Decimal
    unit: str
    why: str


def _limit(low: str, high: str, unit: str, why: str) -> Limit:
    return Limit(Decimal(low), Decimal(high), unit, why)


INDEX_PER_HOUR = _limit("0", "200", "{events}/h", "an event lasts 10 s or more; rates above 200 are not seen")
EVENT_COUNT = _limit("0", "4000", "{events}", "200 events an hour over 20 hours")
RECORDING_HOURS = _limit("0.1", "24", "h", "one night or day of recording")
HOURS_IN_TEST = _limit("0", "24", "h", "a part of one night or day of recording")
NIGHTS_IN_TEST = _limit("1", "31", "d", "a recording goes over at least one night, and a month at most")
MINUTES_IN_TEST = _limit("0", "1440", "min", "minutes of one night or day")
ODI_DROP_PERCENT = _limit("3", "4", "%", "desaturation indices are scored at 3 % or 4 %")
SPO2_PERCENT = _limit("20", "100", "%", "below 20 % an oximeter reads artefact")
SHARE_PERCENT = _limit("0", "100", "%", "a share of a whole")
ADVANCE_MM = _limit("0", "15", "mm", "a mean protrusive range is about 10 to 13 mm")
RANGE_MM = _limit("0", "25", "mm", "twice a mean protrusive range")
POSITION_MM = _limit("0", "25", "mm", "inside the protrusive range")
STEP_MM = _limit("0.05", "2", "mm", "one turn or one part of an appliance")
OVERBITE_MM = _limit("-15", "20", "mm", "negative for an open bite or reverse overjet")
TEETH_IN_ARCH = _limit("0", "16", "1", "teeth in one arch")
SCALE_0_TO_10 = _limit("0", "10", "{score}", "end points of the scale")
EPWORTH_TOTAL = _limit("0", "24", "{score}", "eight items of 0 to 3")
NIGHTS = _limit("0", "31", "d", "a check-in reports on a month at most")
RECORDER_NIGHTS = _limit("1", "31", "d", "nights with a recorder since the last report, a month at most")
HOURS_PER_NIGHT = _limit("0", "16", "h", "hours of one night")
WEIGHT_KG = _limit("20", "400", "kg", "an adult")
SIDE_EFFECT_GRADE = _limit("0", "3", "{score}", "none, mild, moderate, severe")
