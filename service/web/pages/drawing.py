"""SVG made on the server: a time axis, panels below each other, marks that differ in shape as well as in colour.

Colours and line widths come from the style sheet by class, so that the strict Content-Security-Policy holds; dashes and
shapes stand in the drawing itself and tell the series apart without colour. https://www.w3.org/TR/SVG2/struct.html
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape

import drawsvg

from service.rules.words import day, number

LINE = 12
"""Height of a line of text, in the units of the drawing (CSS pixels)."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LETTER = 6.6
"""Width of a letter at most, on the average of a line."""
_CROWDED = 60
_WEEKS_UP_TO = 120
"""Days up to which an axis is named by weeks; a longer one by months."""
VALUES = 30
"""The room at the left for the names of values."""


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Days laid out from `left` to `right`; whatever lies before the first stands together at `early`."""

    first: date
    last: date
    left: float
    right: float
    early: float

    def x(self, on: date) -> float:
        """Where a day stands, inside the axis."""
        if on < self.first:
            return self.early
        share = (on - self.first).days / max((self.last - self.first).days, 1)
        return round(self.left + (self.right - self.left) * min(max(share, 0), 1), 1)

    def ticks(self) -> list[tuple[date, str]]:
        """Days to be named, no closer to each other than their names are wide."""
        most = max(int((self.right - self.left) // 62), 2)
        span = (self.last - self.first).days
        if span <= _WEEKS_UP_TO:
            step = 7 * (span // (7 * most) + 1)
            days = [self.first + timedelta(days=d) for d in range(0, span + 1, step)]
            return [(d, f"{d.day} {_MONTHS[d.month - 1]}") for d in days]
        months = (self.last.year - self.first.year) * 12 + self.last.month - self.first.month + 1
        step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if months / s <= most), 120)
        found: list[tuple[date, str]] = []
        for index in range(self.first.year * 12 + self.first.month, self.last.year * 12 + self.last.month):
            if index % step == 0:
                year, month = divmod(index, 12)
                found.append((date(year, month + 1, 1), f"{_MONTHS[month]} {year if month < step else ''}".strip()))
        return found


@dataclass(frozen=True, slots=True)
class Scale:
    """Values of a panel from `low` at `bottom` up to `high` at `top`."""

    low: float
    high: float
    top: float
    bottom: float

    def y(self, value: float) -> float:
        """Where a value stands, inside the panel."""
        share = (value - self.low) / ((self.high - self.low) or 1)
        return round(self.bottom - (self.bottom - self.top) * min(max(share, 0), 1), 1)


class Sheet:
    """A drawing of a given width that grows downwards."""

    def __init__(self, width: int, prefix: str) -> None:
        self.width = width
        self.prefix = prefix
        self._held: list[drawsvg.DrawingElement] = []

    def add(self, element: drawsvg.DrawingBasicElement, tip: str = "") -> None:
        """Put an element on the sheet, with words shown to whoever points at it."""
        if tip:
            element.append_title(tip)
        self._held.append(element)

    def text(self, words: str, x: float, y: float, kind: str = "label", anchor: str = "start") -> None:
        """One line of text."""
        self.add(drawsvg.Text(words, LINE, x, y, text_anchor=anchor, class_=kind))

    def beside(self, words: str, x: float, y: float) -> None:
        """Words beside a mark: at its right where they have room, else at its left, else at the end of the line."""
        length = len(words) * _LETTER
        if x + 10 + length <= self.width:
            self.text(words, x + 10, y, "value")
        elif x - 10 - length >= 0:
            self.text(words, x - 10, y, "value", "end")
        else:
            self.text(words, self.width - 2, y, "value", "end")

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str, dash: str = "", behind: bool = False) -> None:
        """A straight line; `behind` all that is drawn already when asked."""
        more = {"stroke_dasharray": dash} if dash else {}
        self._held.insert(0 if behind else len(self._held), drawsvg.Line(x1, y1, x2, y2, class_=kind, **more))

    def path(self, points: Sequence[tuple[float, float]], kind: str, dash: str = "") -> None:
        """A line through points."""
        if len(points) > 1:
            more = {"stroke_dasharray": dash} if dash else {}
            flat = [c for point in points for c in point]
            self.add(drawsvg.Lines(*flat, close=False, fill="none", class_=kind, **more))

    def mark(self, shape: str, x: float, y: float, kind: str, tip: str = "", size: float = 4) -> None:
        """A mark of one of the shapes circle, square, diamond, triangle and bar."""
        s = size
        if shape == "circle":
            element: drawsvg.DrawingBasicElement = drawsvg.Circle(x, y, s, class_=kind)
        elif shape == "square":
            element = drawsvg.Rectangle(x - s, y - s, 2 * s, 2 * s, class_=kind)
        elif shape == "diamond":
            element = drawsvg.Lines(x, y - s, x + s, y, x, y + s, x - s, y, close=True, class_=kind)
        else:
            element = drawsvg.Lines(x, y - s, x + s, y + s, x - s, y + s, close=True, class_=kind)
        self.add(element, tip)

    def rectangle(self, x: float, y: float, width: float, height: float, kind: str, tip: str = "") -> None:
        """A filled rectangle."""
        self.add(drawsvg.Rectangle(x, y, max(width, 0.5), max(height, 0.5), class_=kind), tip)

    def hatched(self, x: float, y: float, width: float, height: float, tip: str) -> None:
        """A rectangle of slanted lines behind all else, so that it is seen without colour."""
        group = drawsvg.Group(class_="stable")
        group.append_title(tip)
        group.append(drawsvg.Rectangle(x, y, max(width, 1), height, class_="stable-ground"))
        step, lines = 9, drawsvg.Path(class_="stable-line", fill="none")
        for start in range(int(-height), int(width) + 1, step):
            x1, x2 = max(start, 0), min(start + height, width)
            if x2 > x1:
                lines.M(round(x + x1, 1), round(y + height - (x1 - start), 1))
                lines.L(round(x + x2, 1), round(y + height - (x2 - start), 1))
        group.append(lines)
        self._held.insert(0, group)

    def svg(self, height: float, title: str, description: str) -> str:
        """The drawing as text for a page, with its title and description for those who cannot see it."""
        p = self.prefix
        drawing = drawsvg.Drawing(
            self.width,
            round(height),
            class_=f"chart {p}",
            role="img",
            aria_labelledby=f"{p}-title {p}-description",
        )
        words = f'<title id="{p}-title">{escape(title)}</title><desc id="{p}-description">{escape(description)}</desc>'
        drawing.append(drawsvg.Raw(words))
        for element in self._held:
            drawing.append(element)
        return str(drawing.as_svg(header=""))


def size_of(points: int) -> float:
    """The size of marks: small where many stand close together, none where they would hide the line."""
    return 4 if points <= _CROWDED // 2 else 2.5 if points <= _CROWDED else 0


def axis_of_values(sheet: Sheet, axis: TimeAxis, scale: Scale, values: Sequence[float]) -> None:
    """Thin lines across a panel, named at their left."""
    for value in values:
        y = scale.y(value)
        sheet.line(VALUES, y, axis.right, y, "grid")
        sheet.text(number(int(value)), VALUES - 6, y + 4, "tick", "end")


def axis_of_days(sheet: Sheet, axis: TimeAxis, top: float, bottom: float) -> None:
    """Named days under the panels."""
    for on, name in axis.ticks():
        x = axis.x(on)
        sheet.line(x, top, x, bottom, "grid", behind=True)
        if x < axis.right - 24:
            sheet.text(name, x, bottom + 15, "tick", "middle" if x > axis.left + 14 else "start")
    sheet.line(VALUES, bottom, axis.right, bottom, "axis")
    if axis.early < axis.left:
        sheet.text("before", axis.early, bottom + 15, "tick", "middle")
        sheet.line(axis.left - 4, top - 30, axis.left - 4, bottom, "axis", "1 3")


def span_in_words(first: date, last: date) -> str:
    """A span of days in words."""
    return f"{day(first)} to {day(last)}"
