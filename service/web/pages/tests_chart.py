"""The index before treatment and with the appliance, each with the interval of its count."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.rules.sleep_test import SleepTest
from service.rules.words import day, number
from service.web.pages.drawing import Picture, Scale, Sheet

_WIDTH, _TOP, _ROW = 330, 16, 40
_CLASSES = ((5, "5"), (15, "15"), (30, "30"))
_STEPS = (20, 40, 60, 100, 200)


def tests_chart(before: SleepTest, after: SleepTest, certainty: dict[str, Any]) -> Picture | None:
    """Two rows on one scale of events per hour; None when one of the tests gave no index."""
    if before.index_per_hour is None or after.index_per_hour is None:
        return None
    rows = (
        ("Before", before, certainty["index_before_per_hour"]),
        ("With the appliance", after, certainty["index_after_per_hour"]),
    )
    ends = [float(v) for _, t, pair in rows for v in (t.index_per_hour, *(pair or ())) if v is not None]
    most = next((s for s in _STEPS if s >= max(ends)), _STEPS[-1])
    sheet, scale = Sheet(), Scale(0, most, _WIDTH - 26, 14)
    bottom = _TOP + len(rows) * _ROW + 4
    for value, words in (*_CLASSES, (most, str(most))):
        if value <= most:
            sheet.line(scale.y(value), _TOP, scale.y(value), bottom, "limit", "1 4")
            sheet.text(words, scale.y(value), bottom + 14, "tick", "middle")
    told = [_row(sheet, scale, _TOP + i * _ROW, *row) for i, row in enumerate(rows)]
    sheet.line(scale.y(0), bottom, scale.y(most), bottom, "axis")
    sheet.text("events per hour; lines at 5, 15 and 30 part the classes", 14, bottom + 30, "note")
    return sheet.picture("tests", _WIDTH, bottom + 36, "Sleep tests before and with the appliance", " ".join(told))


def _row(sheet: Sheet, scale: Scale, top: float, name: str, test: SleepTest, pair: Any) -> str:
    """One test, and what it shows in words."""
    assert test.index_per_hour is not None
    y, x = top + 28, scale.y(float(test.index_per_hour))
    interval = ""
    if pair and pair[1] is not None:
        low, high = (scale.y(float(v)) for v in pair)
        sheet.line(low, y, high, y, "interval")
        for end in (low, high):
            sheet.line(end, y - 5, end, y + 5, "interval")
        interval = f", {_short(pair[0])} to {_short(pair[1])}"
    said = f"{test.index_name or 'index'} {number(test.index_per_hour)}{interval or ', no interval'}"
    sheet.mark(
        "triangle" if name == "Before" else "diamond", x, y, "baseline" if name == "Before" else "efficacy", said, 6
    )
    sheet.text(f"{name}, {day(test.day)}: {said}", 14, top + 14, "value")
    return f"{name}, {day(test.day)}: {said} events per hour."


def _short(value: Any) -> str:
    return number(Decimal(value))
