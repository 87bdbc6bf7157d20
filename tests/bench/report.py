"""What a run found: figures beside their targets, curves, the machine; as a table and as JSON."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime

_BUSY = "The machine was busy with something else: these figures are of no use to others."


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number and its target: at most `limit`, or at least it when `at_least`."""

    name: str
    database: str
    measured: float
    limit: float
    at_least: bool = False
    unit: str = ""
    details: dict[str, float] = field(default_factory=dict)
    """The numbers it was worked out from, by names that tell their units."""

    @property
    def met(self) -> bool:
        """Whether the target is met."""
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit

    def verdict(self) -> str:
        """Met, or by how much it was missed."""
        if self.met:
            return "met"
        return f"missed by {_number(abs(self.measured - self.limit), self.unit)}"


@dataclass(frozen=True, slots=True)
class Curve:
    """How the median time of something grows: (size, milliseconds) in the order of size."""

    name: str
    database: str
    sizes_of: str
    points: list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Report:
    """Everything one run found, and how busy the machine was: its load over a minute at begin and end."""

    figures: Sequence[Figure]
    curves: Sequence[Curve]
    load_before: float
    load_after: float

    def table(self) -> str:
        """For people: one line a target, then the curves."""
        lines = [
            _machine(),
            f"load of the machine over a minute: {self.load_before:.1f} before, {self.load_after:.1f} after",
            *([_BUSY] if max(self.load_before - 1, self.load_after - 3) > 0 else []),
            "",
        ]
        lines.append(f"{'target':60}{'database':12}{'measured':>10}{'target':>12}  verdict")
        for f in self.figures:
            limit = f"{'>=' if f.at_least else '<='} {_number(f.limit, f.unit)}"
            lines.append(f"{f.name:60}{f.database:12}{_number(f.measured, f.unit):>10}{limit:>12}  {f.verdict()}")
            lines.append("    " + ", ".join(f"{name} {value:.4g}" for name, value in f.details.items()))
        if self.curves:
            lines += ["", "median milliseconds by size"]
        for c in self.curves:
            told = ", ".join(f"{size:,.0f}: {ms:.2f}" for size, ms in c.points)
            lines.append(f"{c.name:32}{c.database:12}{told} ({c.sizes_of})")
        return "\n".join(lines)

    def as_json(self) -> str:
        """For programs."""
        held = {
            "measured_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "machine": _machine(),
            "load_per_minute": {"before": self.load_before, "after": self.load_after},
            "figures": [{**asdict(f), "met": f.met} for f in self.figures],
            "curves": [asdict(c) for c in self.curves],
        }
        return json.dumps(held, indent=2) + "\n"


def load_of_the_machine() -> float:
    """Processes that ran or waited to run, mean of the last minute."""
    return os.getloadavg()[0]


def _machine() -> str:
    return f"Python {platform.python_version()}, {len(os.sched_getaffinity(0))} cores, {platform.system()}"


def _number(value: float, unit: str) -> str:
    if unit == "%":
        return f"{value * 100:.0f} %"
    return f"{value:.3f} {unit}".strip() if abs(value) < 1 else f"{value:.2f} {unit}".strip()
