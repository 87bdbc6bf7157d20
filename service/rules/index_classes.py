"""What an index per hour says: severity class, fall between two tests, and the class of response.

Severity 5 / 15 / 30 (doi 10.1186/s13063-019-3698-4); classes of response by AHRQ Comparative
Effectiveness Review 32.
"""

from __future__ import annotations

from decimal import Decimal

from service.rules.decision import ResponseClass
from service.rules.thresholds import Thresholds


def severity(index_per_hour: Decimal, thresholds: Thresholds) -> str:
    """Severity class of an index in events per hour: none, mild, moderate or severe (5 / 15 / 30)."""
    if index_per_hour >= thresholds.severe_index.value:
        return "severe"
    if index_per_hour >= thresholds.moderate_index.value:
        return "moderate"
    return "mild" if index_per_hour >= thresholds.normal_index.value else "none"


def fall_percent(before_per_hour: Decimal, after_per_hour: Decimal) -> Decimal | None:
    """Fall from `before` to `after` in % of `before`; negative for a rise, None when `before` is 0."""
    if before_per_hour == 0:
        return None
    return (before_per_hour - after_per_hour) * 100 / before_per_hour


def classify(before_per_hour: Decimal, after_per_hour: Decimal, thresholds: Thresholds) -> ResponseClass:
    """Complete: at least halved and under 5 per hour. Partial: at least halved. Otherwise non-response.

    `before_per_hour` must be above 0.
    """
    fall = (before_per_hour - after_per_hour) * 100 / before_per_hour
    return class_of(fall, after_per_hour, thresholds)


def class_of(fall: Decimal, after_per_hour: Decimal, thresholds: Thresholds) -> ResponseClass:
    """The class of a fall in % that ends at `after_per_hour`."""
    if fall < thresholds.halved_percent.value:
        return ResponseClass.NON_RESPONSE
    resolved = after_per_hour < thresholds.normal_index.value
    return ResponseClass.COMPLETE if resolved else ResponseClass.PARTIAL


def is_positional(supine_per_hour: Decimal, non_supine_per_hour: Decimal, thresholds: Thresholds) -> bool:
    """Whether apnoea is positional: the supine index at least twice the non-supine one, and above 0."""
    return supine_per_hour > 0 and supine_per_hour >= thresholds.positional_ratio.value * non_supine_per_hour
