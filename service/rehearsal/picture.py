"""The result of a rehearsal as one picture: when cases come up for the retest, and what it then finds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

from service.rehearsal import CAUTION
from service.rehearsal.cohort import Plan
from service.rehearsal.drawing import Drawing
from service.rehearsal.results import Summary
from service.rehearsal.shares import Share
from service.rehearsal.table import share, weeks
from service.rules.words import count

_WIDTH = 1060
_GREY, _FAINT, _TEXT = "#555555", "#dcdcdc", "#1a1a1a"
_PLOT_TOP, _PLOT_HEIGHT = 202, 300
_LEFT, _LEFT_WIDTH = 64, 400
_RIGHT, _RIGHT_WIDTH = 628, 252
_ROW = 21
_HEAD = 148
_CAUTION_LINES = wrap(CAUTION, 110)
_LONGEST_LINE = 120


@dataclass(frozen=True, slots=True)
class _Style:
    """A set is told apart by its letter, the shape of its marks and the dashes of its line; colour only helps."""

    letter: str
    color: str
    dashes: str
    shape: str


_STYLES = (_Style("A", "#134074", "", "circle"), _Style("B", "#a23b00", "8 5", "square"))


def picture(plan: Plan, summaries: Sequence[Summary]) -> str:
    """The picture as an SVG file."""
    rows_height = len(summaries[0].by_criterion) * (len(summaries) * 2 * _ROW + 36)
    bottom = _PLOT_TOP + max(_PLOT_HEIGHT + 24, rows_height) + 50
    drawing = Drawing(_WIDTH, bottom + 26 * len(summaries) + 46, _title(summaries), _description(plan, summaries))
    drawing.text(28, 40, _title(summaries), size=21, bold=True)
    drawing.box(28, 56, _WIDTH - 56, 20 + 20 * len(_CAUTION_LINES), "#fff4d6", "#8a6100")
    for i, line in enumerate(_CAUTION_LINES):
        drawing.text(42, 79 + 20 * i, line, size=13, bold=True)
    _curves(drawing, plan, summaries)
    _shares(drawing, summaries)
    _legend(drawing, bottom, plan, summaries)
    return drawing.svg()


def _title(summaries: Sequence[Summary]) -> str:
    return "Two sets of thresholds, rehearsed" if len(summaries) > 1 else "A set of thresholds, rehearsed"


def _description(plan: Plan, summaries: Sequence[Summary]) -> str:
    """The picture in words."""
    told = [
        f"{CAUTION} {plan.cases:,} simulated cases, seed {plan.seed}, followed for at most {count(plan.weeks, 'week')}."
    ]
    for style, s in zip(_STYLES, summaries, strict=False):
        told.append(
            f"Set {style.letter}, {s.name}: {share(s.retested)} came up for a retest, after {weeks(s.weeks)} weeks "
            "(median and quartiles)."
        )
        told += [
            f"{item.name}: found by {share(item.found)} of the retests, truly so in {share(item.truly)}."
            for item in s.by_criterion
        ]
    return " ".join(told)


def _curves(drawing: Drawing, plan: Plan, summaries: Sequence[Summary]) -> None:
    """Left: the share of all cases that have come up for the retest, by week."""
    drawing.text(_LEFT - 36, _HEAD, "When cases come up for the retest", size=16, bold=True)
    drawing.text(
        _LEFT - 36, _HEAD + 20, "Share of all cases that have come up, by week after delivery", size=13, fill=_GREY
    )
    floor = _PLOT_TOP + _PLOT_HEIGHT
    for percent in range(0, 101, 25):
        y = floor - _PLOT_HEIGHT * percent / 100
        drawing.line(_LEFT, y, _LEFT + _LEFT_WIDTH, y, _FAINT if percent else _GREY)
        drawing.text(_LEFT - 8, y + 4, f"{percent} %", size=12, fill=_GREY, anchor="end")
    ticks = _ticks(plan.weeks)
    for week in ticks:
        x = _LEFT + _LEFT_WIDTH * week / plan.weeks
        drawing.line(x, floor, x, floor + 5, _GREY)
        drawing.text(x, floor + 20, f"{week}", size=12, fill=_GREY, anchor="middle")
    drawing.text(_LEFT + _LEFT_WIDTH / 2, floor + 38, "weeks", size=12, fill=_GREY, anchor="middle")
    ends: list[float] = []
    for style, s in zip(_STYLES, summaries, strict=False):
        heights = [floor - _PLOT_HEIGHT * retests / s.cases for retests in s.retested_by_week]
        points = [(_LEFT + _LEFT_WIDTH * week / plan.weeks, y) for week, y in enumerate(heights)]
        drawing.path(points, style.color, style.dashes)
        for week in ticks[1:]:
            drawing.mark(style.shape, *points[week], style.color)
        end = heights[-1] + 5
        if ends and abs(end - ends[-1]) < 17:
            end = ends[-1] + (17 if end >= ends[-1] else -17)
        ends.append(end)
        drawing.text(_LEFT + _LEFT_WIDTH + 10, end, style.letter, size=15, fill=style.color, bold=True)


def _ticks(last_week: int) -> list[int]:
    """Four to eight round weeks on the axis, the first 0."""
    step = next((s for s in (1, 2, 4, 8, 13, 26, 52) if last_week / s <= 7), 104)
    return list(range(0, last_week + 1, step))


def _shares(drawing: Drawing, summaries: Sequence[Summary]) -> None:
    """Right: for each criterion what the retest finds (filled) beside what is truly so (hollow diamond)."""
    drawing.text(_RIGHT - 106, _HEAD, "What the retest then finds", size=16, bold=True)
    drawing.text(_RIGHT - 106, _HEAD + 20, "Share of the retests, with its 95 % interval", size=13, fill=_GREY)
    y = _PLOT_TOP
    for i, item in enumerate(summaries[0].by_criterion):
        drawing.text(_RIGHT - 106, y + 4, item.name, size=13, bold=True)
        y += 24
        for style, s in zip(_STYLES, summaries, strict=False):
            shown = s.by_criterion[i]
            _share_row(drawing, y, f"{style.letter}  retest", shown.found, style)
            _share_row(drawing, y + _ROW, f"{style.letter}  truly", shown.truly, style, truly=True)
            y += 2 * _ROW
        y += 12
    for percent in range(0, 101, 25):
        x = _RIGHT + _RIGHT_WIDTH * percent / 100
        drawing.line(x, y - 6, x, y - 1, _GREY)
        drawing.text(x, y + 14, f"{percent} %", size=12, fill=_GREY, anchor="middle")
    drawing.line(_RIGHT, y - 6, _RIGHT + _RIGHT_WIDTH, y - 6, _GREY)


def _share_row(drawing: Drawing, y: float, label: str, item: Share, style: _Style, truly: bool = False) -> None:
    drawing.text(_RIGHT - 22, y + 4, label, size=12, fill=style.color, anchor="end")
    if item.value is None or item.interval is None:
        drawing.text(_RIGHT + 10, y + 4, "no retest", size=12, fill=_GREY)
        return
    low, high = (_RIGHT + _RIGHT_WIDTH * end for end in item.interval)
    drawing.line(_RIGHT, y, _RIGHT + _RIGHT_WIDTH, y, _FAINT)
    drawing.line(low, y, high, y, style.color, 2.5)
    drawing.mark(
        "diamond" if truly else style.shape, _RIGHT + _RIGHT_WIDTH * item.value, y, style.color, hollow=truly, size=4
    )
    drawing.text(_RIGHT + _RIGHT_WIDTH + 14, y + 4, share(item), size=12)


def _legend(drawing: Drawing, y: float, plan: Plan, summaries: Sequence[Summary]) -> None:
    for style, s in zip(_STYLES, summaries, strict=False):
        drawing.path([(28, y), (72, y)], style.color, style.dashes)
        drawing.mark(style.shape, 50, y, style.color)
        sets = "; ".join(s.changed) or "no threshold changed"
        words = f"{style.letter} = {s.name}: {sets}. Weeks until the retest: {weeks(s.weeks)}."
        drawing.text(84, y + 5, _short(words), size=13)
        y += 26
    drawing.text(
        28,
        y + 14,
        f"{plan.cases:,} simulated cases, seed {plan.seed}. Filled marks: one test night. Hollow diamonds: the simulated "
        "AHI itself. Intervals show sampling error only.",
        size=12,
        fill=_GREY,
    )


def _short(words: str) -> str:
    return words if len(words) <= _LONGEST_LINE else words[: _LONGEST_LINE - 1].rstrip() + "…"
