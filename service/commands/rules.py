"""`airway-relay rules`: every threshold with its value, permitted range, mark and source."""

from __future__ import annotations

import sys

from service.rules.threshold import Mark, Threshold
from service.rules.thresholds import Thresholds
from service.rules.words import number
from service.settings import SettingsError, read_site_file


def rules(site_file: str | None) -> int:
    """Print the thresholds in force, as the site's file sets them; 2 when the file cannot be used."""
    try:
        thresholds = read_site_file(site_file).thresholds if site_file else Thresholds()
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    print(table(thresholds))
    return 0


def table(thresholds: Thresholds) -> str:
    """The thresholds as a Markdown table, and what each mark means."""
    rows = ["| threshold | value | permitted | mark | source | meaning |", "|---|---|---|---|---|---|"]
    rows += [_row(t) for t in thresholds.all()]
    marks = [f"- {mark.value}: {mark.meaning}." for mark in Mark]
    return "\n".join([*rows, "", *marks])


def _row(threshold: Threshold) -> str:
    unit = "" if threshold.unit == "1" else f" {threshold.unit}"
    if threshold.low == threshold.high:
        permitted = "fixed"
    else:
        permitted = f"{number(threshold.low)} to {number(threshold.high)}{unit}"
    cells = (
        f"`{threshold.name}`",
        f"{number(threshold.value)}{unit}",
        permitted,
        "set by this site" if threshold.set_by_site else threshold.mark.value,
        threshold.cited if threshold.set_by_site else threshold.source,
        threshold.meaning,
    )
    return f"| {' | '.join(cells)} |"
