"""The course of a case on one time axis: tests, settings, symptoms, wear, side effects and the stable window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.course import Course
from service.rules.facts import CheckIn, Setting, SleepTest, TestPurpose
from service.rules.thresholds import Thresholds
from service.rules.words import count, day, number, sides, spoken
from service.web.pages.drawing import (
    VALUES,
    Scale,
    Sheet,
    TimeAxis,
    axis_of_days,
    axis_of_values,
    size_of,
    span_in_words,
)

WIDE, NARROW = 760, 330
_RIGHT, _GUTTER = 10, 70
_HEAD, _PANEL, _LANE = 26, 78, 20
_MOST_LANES, _MOST_FLAGS, _LONGEST = 6, 3, 28


@dataclass(slots=True)
class _Plot:
    """The sheet with its axis, and how far down it is drawn."""

    sheet: Sheet
    axis: TimeAxis
    thresholds: Thresholds
    y: float = 6

    def head(self, words: str) -> None:
        """The name of the panel that begins."""
        self.y += _HEAD
        self.sheet.text(words, 0, self.y - 8, "panel")

    def panel(self, low: float, high: float, height: float = _PANEL) -> Scale:
        """The scale of a panel that begins here; drawing goes on below it."""
        scale = Scale(low, high, self.y + 2, self.y + height)
        self.y += height
        return scale


def has_course(course: Course) -> bool:
    """Whether treatment has begun; before that there is nothing to draw."""
    return bool(course.known.appliances or course.known.settings)


def course_chart(course: Course, thresholds: Thresholds, width: int, prefix: str) -> str:
    """The chart as SVG text."""
    first, before = _first_day(course), _early_tests(course)
    early = bool(before) or any(c.moment.day < first for c in course.all_check_ins)
    left = VALUES + (_GUTTER if early else 0)
    axis = TimeAxis(first, course.as_of, left, width - _RIGHT, VALUES + _GUTTER / 2 - 4 if early else left)
    plot = _Plot(Sheet(width, prefix), axis, thresholds)
    _tests(plot, course, before)
    top = plot.y
    _settings(plot, course)
    _symptoms(plot, course.all_check_ins)
    _epworth(plot, course.all_check_ins)
    _wear(plot, course.all_check_ins)
    _side_effects(plot, course)
    axis_of_days(plot.sheet, axis, top, plot.y + 4)
    _stable_window(plot, course, top, plot.y + 4)
    return plot.sheet.svg(plot.y + 26, "Course of treatment over time", described(course, thresholds))


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
    start, reached = plot.axis.x(course.onset), needed <= course.as_of
    tip = f"At one setting since {day(course.onset)}; {number(plot.thresholds.stable_days.value)} days are needed."
    plot.sheet.hatched(start, top, plot.axis.right - start, bottom - top, tip)
    if reached:
        plot.sheet.line(plot.axis.x(needed), top, plot.axis.x(needed), bottom, "stable-edge", "2 3")
    words = f"stable from {day(needed)}" if reached else f"stable on {day(needed)} at the earliest"
    at_left = plot.axis.right - start > 190
    plot.sheet.text(words, start if at_left else plot.axis.right, top - 2, "note", "start" if at_left else "end")


def _index(test: SleepTest) -> str:
    if test.index_per_hour is None:
        return "no index told"
    return f"{test.index_name or 'index'} {number(test.index_per_hour)} per hour"


def _tests(plot: _Plot, course: Course, before: Sequence[SleepTest]) -> None:
    plot.head("Sleep tests (events per hour)")
    y = plot.y + 12
    plot.sheet.line(plot.axis.left, y, plot.axis.right, y, "grid")
    if before:
        _test(plot, before[-1], 10, y)
    shown = sorted((t for t in course.known.sleep_tests if t not in before), key=lambda t: t.day)
    for test in shown:
        _test(plot, test, plot.axis.x(test.day), y)
    plot.y += 40


def _test(plot: _Plot, test: SleepTest, x: float, y: float) -> None:
    efficacy = test.purpose is TestPurpose.EFFICACY
    tip = f"{test.purpose.value.capitalize()} test of {day(test.day)}: {_index(test)}."
    plot.sheet.mark("diamond" if efficacy else "triangle", x, y, "efficacy" if efficacy else "baseline", tip, 6)
    if test.index_per_hour is not None:
        words = f"{test.index_name or ''} {number(test.index_per_hour)}".strip()
        plot.sheet.beside(words, x, y + 4)


def _settings(plot: _Plot, course: Course) -> None:
    plot.head("Setting, mm advanced")
    held = sorted(course.known.settings, key=lambda s: (s.moment, s.source))
    most = max([4, *(int(max(s.pair)) + 1 for s in held)])
    scale = plot.panel(0, most)
    axis_of_values(plot.sheet, plot.axis, scale, [v for v in range(0, most + 1) if v % max(most // 4, 1) == 0])
    if not held:
        plot.sheet.text("No setting is recorded yet.", plot.axis.left + 8, scale.bottom - 10, "note")
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
        plot.sheet.text(upper, plot.axis.right, scale.y(float(max(last.pair))) - 5, "value", "end")
        plot.sheet.text(lower, plot.axis.right, scale.y(float(min(last.pair))) + 14, "value", "end")


def _steps(plot: _Plot, held: Sequence[Setting], side: int, scale: Scale) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for setting in held:
        x, y = plot.axis.x(setting.moment.day), scale.y(float(setting.pair[side]))
        if points:
            points.append((x, points[-1][1]))
        points.append((x, y))
    return [*points, (plot.axis.right, points[-1][1])]


def _symptoms(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    plot.head("Snoring and restedness, 0 to 10")
    scale = plot.panel(0, 10)
    axis_of_values(plot.sheet, plot.axis, scale, (0, 5, 10))
    settled = float(plot.thresholds.snoring_settled.value)
    plot.sheet.line(plot.axis.left, scale.y(settled), plot.axis.right, scale.y(settled), "limit", "1 4")
    told = [(c, c.snoring) for c in check_ins if c.snoring is not None]
    rested = [(c, c.restedness) for c in check_ins if c.restedness is not None]
    if not told and not rested:
        plot.sheet.text("No check-in yet.", plot.axis.left + 8, scale.bottom - 10, "note")
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
    points = [(plot.axis.x(c.moment.day), scale.y(float(v))) for c, v in told]
    plot.sheet.path(points, kind, dash)
    size = size_of(len(points))
    for (check_in, value), (x, y) in zip(told, points, strict=True) if size else ():
        tip = f"{title} {number(value)} on {day(check_in.moment.day)}."
        plot.sheet.mark(shape, x, y, f"{kind}-mark", tip, size)


def _epworth(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    told = [(c, c.epworth_total) for c in check_ins if c.epworth_total is not None]
    if not told:
        return
    plot.head("Epworth total, 0 to 24")
    scale = plot.panel(0, 24)
    axis_of_values(plot.sheet, plot.axis, scale, (0, 12, 24))
    settled = float(plot.thresholds.epworth_settled.value)
    plot.sheet.line(plot.axis.left, scale.y(settled), plot.axis.right, scale.y(settled), "limit", "1 4")
    _series(plot, scale, told, "epworth", "diamond", "Epworth total", "2 3")


def _wear(plot: _Plot, check_ins: Sequence[CheckIn]) -> None:
    told = [c for c in check_ins if c.nights_reported and c.nights_worn is not None]
    if not told:
        return
    plot.head("Wear, % of the nights reported")
    scale = plot.panel(0, 100)
    axis_of_values(plot.sheet, plot.axis, scale, (0, 50, 100))
    for check_in in told:
        assert check_in.nights_reported and check_in.nights_worn is not None
        share = 100 * check_in.nights_worn / check_in.nights_reported
        end = plot.axis.x(check_in.moment.day)
        start = plot.axis.x(check_in.moment.day - timedelta(days=check_in.nights_reported))
        tip = f"Worn {check_in.nights_worn} of {count(check_in.nights_reported, 'night')} up to {day(check_in.moment.day)}."
        y = scale.y(share)
        plot.sheet.rectangle(start + 0.5, y, end - start - 1, scale.bottom - y, "wear", tip)
    needed = float(plot.thresholds.wear_share.value) * 100
    plot.sheet.line(plot.axis.left, scale.y(needed), plot.axis.right, scale.y(needed), "limit", "1 4")


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
        plot.sheet.beside(words, x, plot.y + 14)
        plot.y += _LANE
    for kind, onset, end, grade in shown:
        x1, x2 = plot.axis.x(onset), plot.axis.x(end or course.as_of)
        words = f"{_short(spoken(kind))}, grade {grade}"
        tip = f"{words}, from {day(onset)}{f' to {day(end)}' if end else ', open'}."
        plot.sheet.rectangle(x1, plot.y + 13, max(x2 - x1, 4), 3 + grade, "effect", tip)
        plot.sheet.beside(words, x1 - 10, plot.y + 10)
        plot.y += _LANE


def _short(words: str) -> str:
    return words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"
