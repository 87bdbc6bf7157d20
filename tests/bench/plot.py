"""The curves of a run as one SVG picture: median time over size, both on logarithmic axes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure as Picture

from tests.bench.report import Curve

_DASHES = {"sqlite": "-", "postgresql": "--"}


def write_plot(curves: Sequence[Curve], file: Path) -> None:
    """One panel for each thing that grows; a line for each request and database."""
    panels = sorted({curve.sizes_of for curve in curves})
    picture = Picture(figsize=(6.5 * len(panels), 4.5), layout="constrained")
    for axes, grows in zip(picture.subplots(1, len(panels), squeeze=False)[0], panels, strict=True):
        for curve in (c for c in curves if c.sizes_of == grows):
            sizes, times = zip(*curve.points, strict=True)
            axes.loglog(sizes, times, _DASHES[curve.database], marker="o", label=f"{curve.name}, {curve.database}")
        axes.set_xlabel(grows)
        axes.set_ylabel("median milliseconds, one client")
        axes.set_ylim(bottom=0.5, top=100)
        axes.grid(True, which="both", alpha=0.2)
        axes.legend(fontsize="small")
    picture.savefig(file, format="svg", metadata={"Date": None})
