"""What a drawing is made of: a time axis, panels below each other, marks that differ in shape as well as in colour.

Geometry only: the template `drawing.html` writes it as SVG. Across, a drawing on a time axis is told in percent, so that one
drawing fits a desk and a phone with letters of one size; down, in CSS pixels. Colours and line widths come from the style
sheet by class, so that the strict Content-Security-Policy holds; dashes and shapes tell the series apart without colour.
https://www.w3.org/TR/SVG2/coords.html#Units
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import NamedTuple

from service.rules.words import day, number

X = float | str
"""A place across: CSS pixels, or percent of the width as text."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_CROWDED = 60
_WEEKS_UP_TO = 120
"""Days up to which an axis is named by weeks; a longer one by months."""
_MOST_TICKS, _TICKS_OF_A_PHONE = 10, 4
_LONG = 22
"""Letters up to which words have room beside a mark in the middle of a phone's width."""
VALUES = 30
"""The room at the left for the names of values."""
BEFORE = 70
"""The room beside it for what came before the axis begins."""


class Line(NamedTuple):
    """A straight line."""

    kind: str
    x1: X
    y1: float
    x2: X
    y2: float
    dash: str = ""


class Text(NamedTuple):
    """One line of text, `shift` pixels from its place."""

    kind: str
    words: str
    x: X
    y: float
    anchor: str = "start"
    shift: float = 0


class Bar(NamedTuple):
    """A rectangle, with words for whoever points at it."""

    kind: str
    x: X
    y: float
    width: X
    height: float
    tip: str


class Circle(NamedTuple):
    """A round mark."""

    kind: str
    x: X
    y: float
    radius: float
    tip: str


class Square(NamedTuple):
    """A mark with four equal sides around its place."""

    kind: str
    x: X
    top: float
    side: float
    tip: str


class Outline(NamedTuple):
    """A mark of corners: `path` is drawn from its place."""

    kind: str
    x: X
    y: float
    path: str
    tip: str


class Curve(NamedTuple):
    """A line through points: `path` in percent across and pixels down."""

    kind: str
    path: str
    dash: str


@dataclass(slots=True)
class Layers:
    """What is drawn, each list over those before it."""

    hatched: list[Bar] = field(default_factory=list)
    grid: list[Line] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    outlines: list[Outline] = field(default_factory=list)
    circles: list[Circle] = field(default_factory=list)
    squares: list[Square] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)


class Picture(NamedTuple):
    """A finished drawing: its name (a class and the start of its ids), words for those who cannot see it, its layers.

    `width` is 0 for a drawing as wide as its place on the page.
    """

    name: str
    title: str
    description: str
    width: float
    height: float
    layers: Layers


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Days laid out across the whole width; what lies before the first stands together, left of the axis, at `early`."""

    first: date
    last: date
    early: float = 0

    def share(self, on: date) -> float:
        """Where a day stands, inside the axis, in percent of its width."""
        passed = (on - self.first).days
        if passed <= 0:
            return 0.0
        days = (self.last - self.first).days
        return round(100 * passed / days, 2) if passed < days else 100.0

    def x(self, on: date) -> X:
        """Where a day is drawn."""
        return self.early if on < self.first else percent(self.share(on))

    def ticks(self) -> list[tuple[date, str]]:
        """Days to be named: so many that their names have room on a desk."""
        span = (self.last - self.first).days
        if span <= _WEEKS_UP_TO:
            step = 7 * (span // (7 * _MOST_TICKS) + 1)
            days = [self.first + timedelta(days=d) for d in range(0, span + 1, step)]
            return [(d, f"{d.day} {_MONTHS[d.month - 1]}") for d in days]
        months = (self.last.year - self.first.year) * 12 + self.last.month - self.first.month + 1
        step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if months / s <= _MOST_TICKS), 120)
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
    """A drawing that grows downwards."""

    def __init__(self) -> None:
        self._layers = Layers()

    def text(self, words: str, x: X, y: float, kind: str, anchor: str = "start") -> None:
        """One line of text."""
        self._layers.texts.append(Text(kind, words, x, y, anchor))

    def beside(self, words: str, share: float, y: float) -> None:
        """Words beside a mark at that share of the width, towards the middle; long ones against the nearer edge."""
        anchor, edge, shift = ("end", "100%", -10) if share > 50 else ("start", "0%", 10)
        long = len(words) > _LONG
        self._layers.texts.append(
            Text("value", words, edge if long else percent(share), y, anchor, 0 if long else shift)
        )

    def grid(self, x1: X, y1: float, x2: X, y2: float) -> None:
        """A thin line behind what is drawn."""
        self._layers.grid.append(Line("grid", x1, y1, x2, y2))

    def line(self, x1: X, y1: float, x2: X, y2: float, kind: str, dash: str = "") -> None:
        """A straight line."""
        self._layers.lines.append(Line(kind, x1, y1, x2, y2, dash))

    def path(self, points: Sequence[tuple[float, float]], kind: str, dash: str = "") -> None:
        """A line through points, in percent across and pixels down."""
        if len(points) > 1:
            self._layers.curves.append(Curve(kind, "M" + "L".join(f"{x} {y}" for x, y in points), dash))

    def mark(self, shape: str, x: X, y: float, kind: str, tip: str, size: float = 4) -> None:
        """A mark of one of the shapes circle, square, diamond and triangle, `size` from its middle to its sides."""
        if shape == "circle":
            self._layers.circles.append(Circle(kind, x, y, size, tip))
        elif shape == "square":
            self._layers.squares.append(Square(kind, x, round(y - size, 1), 2 * size, tip))
        else:
            corners = "L{s} 0 0 {s}-{s} 0z" if shape == "diamond" else "L{s} {s}-{s} {s}z"
            self._layers.outlines.append(Outline(kind, x, y, f"M0-{size}" + corners.format(s=size), tip))

    def bar(self, x: X, y: float, width: X, height: float, kind: str, tip: str) -> None:
        """A filled rectangle."""
        self._layers.bars.append(Bar(kind, x, y, width, max(height, 0.5), tip))

    def hatched(self, x: X, y: float, width: X, height: float, kind: str, tip: str) -> None:
        """A rectangle of slanted lines behind all else, so that it is seen without colour."""
        self._layers.hatched.append(Bar(kind, x, y, width, height, tip))

    def picture(self, name: str, width: float, height: float, title: str, description: str) -> Picture:
        """The finished drawing."""
        return Picture(name, title, description, width, round(height), self._layers)


def percent(share: float) -> str:
    """A share of the width as text."""
    return f"{share}%"


def size_of(points: int) -> float:
    """The size of marks: small where many stand close together, none where they would hide the line."""
    return 4 if points <= _CROWDED // 2 else 2.5 if points <= _CROWDED else 0


def axis_of_values(sheet: Sheet, scale: Scale, values: Sequence[float], left: float) -> None:
    """Thin lines across a panel, named `left` pixels left of the axis."""
    for value in values:
        y = scale.y(value)
        sheet.grid(VALUES - left, y, "100%", y)
        sheet.text(number(int(value)), VALUES - 6 - left, y + 4, "tick", "end")


def axis_of_days(sheet: Sheet, axis: TimeAxis, top: float, bottom: float, left: float) -> None:
    """Named days under the panels; those for which a phone has no room are named on wider windows only."""
    ticks = axis.ticks()
    every = -(-len(ticks) // _TICKS_OF_A_PHONE)
    for index, (on, name) in enumerate(ticks):
        share = axis.share(on)
        sheet.grid(percent(share), top, percent(share), bottom)
        if share < 96:
            kind = "tick" if index % every == 0 else "tick desk-only"
            sheet.text(name, percent(share), bottom + 15, kind, "middle" if share > 3 else "start")
    sheet.line(VALUES - left, bottom, "100%", bottom, "axis")
    if axis.early:
        sheet.text("before", axis.early, bottom + 15, "tick", "middle")
        sheet.line(-4, top - 30, -4, bottom, "axis", "1 3")


def span_in_words(first: date, last: date) -> str:
    """A span of days in words."""
    return f"{day(first)} to {day(last)}"
