"""The course of a case on one time axis: tests, settings, symptoms, wear, side effects and the stable window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.facts import CheckIn, Setting
from service.rules.kinds import TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import count, day, number, sides, spoken
from service.web.pages.drawing import (
    BEFORE,
    VALUES,
    Picture,
    Scale,
    Sheet,
    TimeAxis,
    X,
    axis_of_days,
    axis_of_values,
    percent,
    size_of,
    span_in_words,
)

_HEAD, _PANEL, _LANE = 26, 78, 20
_MOST_LANES, _MOST_FLAGS, _LONGEST = 6, 3, 28


@dataclass(slots=True)
class _Plot:
    """The sheet with its axis, the room left of the axis, and how far down it is drawn."""

    sheet: Sheet
    axis: TimeAxis
    thresholds: Thresholds
    left: float
    y: float = 6

    def head(self, words: str) -> None:
        """The name of the panel that begins."""
        self.y += _HEAD
        self.sheet.text(words, -self.left, self.y - 8, "panel")

    def limit(self, y: float) -> None:
        """A dotted line across the axis at a threshold."""
        self.sheet.line(0, y, "100%", y, "limit", "1 4")

    def bar(self, start: date, end: date, y: float, height: float, kind: str, tip: str) -> None:
        """A bar from day to day, to be seen however short."""
        first, width = self.axis.share(start), self.axis.share(end) - self.axis.share(start)
        self.sheet.bar(percent(first), y, percent(max(round(width, 2), 0.6)), height, kind, tip)

    def panel(self, low: float, high: float, height: float = _PANEL) -> Scale:
        """The scale of a panel that begins here; drawing goes on below it."""
        scale = Scale(low, high, self.y + 2, self.y + height)
        self.y += height
        return scale


def has_course(course: Course) -> bool:
    """Whether treatment has begun; before that there is nothing to draw."""
    return bool(course.known.appliances or course.known.settings)


def has_before(course: Course) -> bool:
    """Whether something is drawn left of the axis, from before it begins."""
    first = _first_day(course)
    return bool(_early_tests(course)) or any(c.moment.day < first for c in course.all_check_ins)


def course_chart(course: Course, thresholds: Thresholds) -> Picture:
    """The chart, for a place with `VALUES` and, when `has_before`, `BEFORE` pixels free at its left."""
    first, before = _first_day(course), _early_tests(course)
    early = has_before(course)
    axis = TimeAxis(first, course.as_of, -BEFORE / 2 - 4 if early else 0)
    plot = _Plot(Sheet(), axis, thresholds, VALUES + BEFORE if early else VALUES)
    _tests(plot, course, before)
    top = plot.y
    _settings(plot, course)
    _symptoms(plot, course.all_check_ins)
    _epworth(plot, course.all_check_ins)
    _wear(plot, course.all_check_ins)
    _side_effects(plot, course)
    axis_of_days(plot.sheet, axis, top, plot.y + 4, plot.left)
    _stable_window(plot, course, top, plot.y + 4)
    told = described(course, thresholds)
    return plot.sheet.picture("course", 0, plot.y + 26, "Course of treatment over time", told)


def described(course: Course, thresholds: Thresholds) -> str:
    """What the chart shows, in words; every value stands in the table below it."""
    told = [f"From {span_in_words(_first_day(course), course.as_of)}."]
    if course.setting and course.onset:
        told.append(f"The setting is {sides(*course.setting.pair)} since {day(course.onset)}.")
    told.append(f"{count(len(course.known.settings), 'setting')}, {count(len(course.all_check_ins), 'check-in')}.")
    last = next((c for c in reversed(course.all_check_ins) if c.snoring is not None), None)
    if last and last.snoring is not None:
        told.append(f"Last snoring score: {number(last.snoring)} on {day(last.moment.day)}.")
    tests = sorted(course.known.sleep_tests, key=lambda t: t.day)
    told += [f"{t.purpose.value.capitalize()} test: {_index(t)} on {day(t.day)}." for t in tests]
    told.append(f"A setting counts as stable after {number(thresholds.stable_days.value)} days.")
    return " ".join(told)


def _first_day(course: Course) -> date:
    """Where the axis begins: shortly before the first appliance; what came earlier is drawn at its left."""
    known = course.known
    days = [s.moment.day for s in known.settings] + [a.delivered_on for a in known.appliances]
    if not days:
        days = [f.moment.day for f in (*known.check_ins, *known.side_effects, *known.red_flags)]
    return min([*days, course.as_of - timedelta(days=7)]) - timedelta(days=3)


def _early_tests(course: Course) -> list[SleepTest]:
    first = _first_day(course)
    return sorted((t for t in course.known.sleep_tests if t.day < first), key=lambda t: t.day)


def _stable_window(plot: _Plot, course: Course, top: float, bottom: float) -> None:
    """Behind the panels: the days since the onset of the setting, and the day on which they are enough."""
    if course.onset is None:
        return
    needed = course.onset + timedelta(days=int(plot.thresholds.stable_days.value))
    start, reached = plot.axis.share(course.onset), needed <= course.as_of
    tip = f"At one setting since {day(course.onset)}; {number(plot.thresholds.stable_days.value)} days are needed."
    plot.sheet.hatched(percent(start), top, percent(round(100 - start, 2)), bottom - top, "stable", tip)
    if reached:
        plot.sheet.line(plot.axis.x(needed), top, plot.axis.x(needed), bottom, "stable-edge", "2 3")
    words = f"stable from {day(needed)}" if reached else f"stable on {day(needed)} at the earliest"
    plot.sheet.text(words, "100%", top - 2, "note", "end")


def _index(test: SleepTest) -> str:
    if test.index_per_hour is None:
        return "no index told"
    return f"{test.index_name or 'index'} {number(test.index_per_hour)} per hour"


def _tests(plot: _Plot, course: Course, before: Sequence[SleepTest]) -> None:
    plot.head("Sleep tests (events per hour)")
    y = plot.y + 12
    plot.sheet.grid(0, y, "100%", y)
    if before:
        _test_mark(plot, before[-1], 10 - plot.left, y)
        plot.sheet.text(_short_index(before[-1]), 20 - plot.left, y + 4, "value")
    shown = sorted((t for t in course.known.sleep_tests if t not in before), key=lambda t: t.day)
    for test in shown:
        _test_mark(plot, test, plot.axis.x(test.day), y)
        plot.sheet.beside(_short_index(test), plot.axis.share(test.day), y + 4)
    plot.y += 40


def _test_mark(plot: _Plot, test: SleepTest, x: X, y: float) -> None:
    efficacy = test.purpose is TestPurpose.EFFICACY
    tip = f"{test.purpose.value.capitalize()} test of {day(test.day)}: {_index(test)}."
    plot.sheet.mark("diamond" if efficacy else "triangle", x, y, "efficacy" if efficacy else "baseline", tip, 6)


def _short_index(test: SleepTest) -> str:
    if test.index_per_hour is None:
        return ""
    return f"{test.index_name or ''} {number(test.index_per_hour)}".strip()


def _settings(plot: _Plot, course: Course) -> None:
    plot.head("Setting, mm advanced")
    held = sorted(course.known.settings, key=lambda s: (s.moment, s.source))
    most = max([4, *(int(max(s.pair)) + 1 for s in held)])
    scale = plot.panel(0, most)
    axis_of_values(plot.sheet, scale, [v for v in range(0, most + 1) if v % max(most // 4, 1) == 0], plot.left)
    if not held:
        plot.sheet.text("No setting is recorded yet.", 8, scale.bottom - 10, "note")
        return
    for side, kind, dash in ((0, "left", ""), (1, "right", "5 4")):
        plot.sheet.path(_steps(plot, held, side, scale), kind, dash)
    for setting in held:
        tip = f"{day(setting.moment.day)}: {sides(*setting.pair)}."
        x = plot.axis.x(setting.moment.day)
        plot.sheet.mark("square", x, scale.y(float(setting.left_mm)), "left-mark", tip, 3)
        if setting.right_mm != setting.left_mm:
            plot.sheet.mark("circle", x, scale.y(float(setting.right_mm)), "right-mark", tip, 3)
    last = held[-1]
    if last.left_mm != last.right_mm:
        upper, lower = ("left", "right") if last.left_mm > last.right_mm else ("right", "left")
        plot.sheet.text(upper, "100%", scale.y(float(max(last.pair))) - 5, "value", "end")
        plot.sheet.text(lower, "100%", scale.y(float(min(last.pair))) + 14, "value", "end")


def _steps(plot: _Plot, held: Sequence[Setting], side: int, scale: Scale) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for setting in held:
        x, y = plot.axis.share(setting.moment.day), scale.y(float(setting.pair[side]))
        if points:
            points.append((x, points[-1][1]))
        points.append((x, y))
    return [*points, (100, points[-1][1])]


def _symptoms(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    plot.head("Snoring and restedness, 0 to 10")
    scale = plot.panel(0, 10)
    axis_of_values(plot.sheet, scale, (0, 5, 10), plot.left)
    plot.limit(scale.y(float(plot.thresholds.snoring_settled.value)))
    told = [(c, c.snoring) for c in check_ins if c.snoring is not None]
    rested = [(c, c.restedness) for c in check_ins if c.restedness is not None]
    if not told and not rested:
        plot.sheet.text("No check-in yet.", 8, scale.bottom - 10, "note")
    _series(plot, scale, told, "snoring", "circle", "Snoring", "")
    _series(plot, scale, rested, "rested", "square", "Restedness", "6 3")


def _series(
    plot: _Plot,
    scale: Scale,
    told: Sequence[tuple[CheckIn, Decimal | int]],
    kind: str,
    shape: str,
    title: str,
    dash: str,
) -> None:
    points = [(c.moment.day, value, scale.y(float(value))) for c, value in told]
    plot.sheet.path([(plot.axis.share(on), y) for on, _, y in points if on >= plot.axis.first], kind, dash)
    size = size_of(len(points))
    for on, value, y in points if size else ():
        plot.sheet.mark(shape, plot.axis.x(on), y, f"{kind}-mark", f"{title} {number(value)} on {day(on)}.", size)


def _epworth(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    told = [(c, c.epworth_total) for c in check_ins if c.epworth_total is not None]
    if not told:
        return
    plot.head("Epworth total, 0 to 24")
    scale = plot.panel(0, 24)
    axis_of_values(plot.sheet, scale, (0, 12, 24), plot.left)
    plot.limit(scale.y(float(plot.thresholds.epworth_settled.value)))
    _series(plot, scale, told, "epworth", "diamond", "Epworth total", "2 3")


def _wear(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    told = [c for c in check_ins if c.nights_reported and c.nights_worn is not None]
    if not told:
        return
    plot.head("Wear, % of the nights reported")
    scale = plot.panel(0, 100)
    axis_of_values(plot.sheet, scale, (0, 50, 100), plot.left)
    for check_in in told:
        assert check_in.nights_reported and check_in.nights_worn is not None
        share = 100 * check_in.nights_worn / check_in.nights_reported
        end, y = check_in.moment.day, scale.y(share)
        start = end - timedelta(days=check_in.nights_reported)
        tip = f"Worn {check_in.nights_worn} of {count(check_in.nights_reported, 'night')} up to {day(end)}."
        plot.bar(start, end, y, round(scale.bottom - y, 1), "wear", tip)
    plot.limit(scale.y(float(plot.thresholds.wear_share.value) * 100))


def _effects(course: Course) -> list[tuple[str, date, date | None, int]]:
    """Side effects by kind: onset, end and highest grade, the last begun first."""
    found: dict[tuple[str, date], tuple[date | None, int]] = {}
    for report in sorted(course.known.side_effects, key=lambda e: (e.moment, e.source)):
        _, grade = found.get((report.kind, report.onset), (None, 0))
        found[report.kind, report.onset] = (report.ended_on, max(grade, report.grade))
    spans = [(kind, onset, end, grade) for (kind, onset), (end, grade) in found.items()]
    return sorted(spans, key=lambda s: (s[1], s[0]), reverse=True)


def _side_effects(plot: _Plot, course: Course) -> None:
    effects, flags = _effects(course), course.known.red_flags
    if not effects and not flags:
        return
    shown, raised = effects[:_MOST_LANES], sorted(flags, key=lambda f: f.moment, reverse=True)[:_MOST_FLAGS]
    left_out = len(effects) - len(shown) + len(flags) - len(raised)
    plot.head(f"Side effects and red flags{f' ({left_out} more in the table)' if left_out else ''}")
    for flag in raised:
        x = plot.axis.x(flag.moment.day)
        told = f"resolved {day(flag.resolved_on)}" if flag.resolved_on else "open"
        tip = f"Red flag on {day(flag.moment.day)}: {spoken(flag.kind)}, {told}."
        words = spoken(flag.kind) if flag.resolved_on else f"{spoken(flag.kind)}, open"
        plot.sheet.mark("triangle", x, plot.y + _LANE / 2, "flag", tip, 6)
        plot.sheet.beside(words, plot.axis.share(flag.moment.day), plot.y + 14)
        plot.y += _LANE
    for kind, onset, end, grade in shown:
        words = f"{_short(spoken(kind))}, grade {grade}"
        tip = f"{words}, from {day(onset)}{f' to {day(end)}' if end else ', open'}."
        plot.bar(onset, end or course.as_of, plot.y + 13, 3 + grade, "effect", tip)
        plot.sheet.beside(words, plot.axis.share(onset), plot.y + 10)
        plot.y += _LANE


def _short(words: str) -> str:
    return words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"
