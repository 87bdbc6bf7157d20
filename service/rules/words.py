"""Numbers, dates and lists as a clinician reads them in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_QUARTER = Decimal("0.25")


def number(value: Decimal | int) -> str:
    """A number without trailing zeros or an exponent: `2`, `0.7`, `12.5`."""
    text = format(Decimal(value), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def rounded(value: Decimal, places: str) -> Decimal:
    """`value` rounded half up to the places of a pattern such as `0.1`."""
    return value.quantize(Decimal(places), rounding=ROUND_HALF_UP)


def quarter_hours(hours: Decimal) -> Decimal:
    """Self-reported hours, rounded down to 15 minutes: reports are no finer than that."""
    return (hours / _QUARTER).to_integral_value(rounding=ROUND_FLOOR) * _QUARTER


def percent(share: Decimal, *limits: Decimal) -> str:
    """A share of 1 as per cent, rounded half up.

    Next to one of `limits`, shares of 1 too, that rounding would cross it is cut towards its own side, with up to two
    decimals: a share just under 50 % is never printed as 50 %.
    """
    value = share * 100
    crossed = [limit * 100 for limit in limits]
    for places in ("1", "0.1", "0.01"):
        shown = rounded(value, places)
        if not any(_crosses(value, shown, limit) for limit in crossed):
            return f"{number(shown)} %"
    under = any(value < limit <= rounded(value, "0.01") for limit in crossed)
    cut = value.quantize(Decimal("0.01"), rounding=ROUND_FLOOR if under else ROUND_CEILING)
    return f"{number(cut)} %"


def _crosses(value: Decimal, shown: Decimal, limit: Decimal) -> bool:
    """Whether a rounded value stands on another side of a limit, or on it where the value does not."""
    return (value < limit) != (shown < limit) or (value > limit) != (shown > limit)


def day(value: date) -> str:
    """A date without ambiguity between countries: `3 Aug 2026`."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def count(amount: int, noun: str, plural: str | None = None) -> str:
    """`1 night`, `2 nights`."""
    return f"{amount} {noun if amount == 1 else plural or noun + 's'}"


def sides(left_mm: Decimal, right_mm: Decimal) -> str:
    """A setting in words: `2 mm on both sides` or `2 mm left and 1.5 mm right`."""
    if left_mm == right_mm:
        return f"{number(left_mm)} mm on both sides"
    return f"{number(left_mm)} mm left and {number(right_mm)} mm right"


def listed(items: Sequence[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`; with semicolons, `a, or b; and c`, when an item is itself a list."""
    if len(items) < 2:
        return "".join(items)
    if any(part in item for item in items for part in (",", " and ", " or ")):
        return f"{'; '.join(items[:-1])}; {last} {items[-1]}"
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def spoken(code: str) -> str:
    """A code of ours as words: `locked-jaw` becomes `locked jaw`."""
    return code.replace("-", " ")
