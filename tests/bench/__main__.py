"""The speed of the service beside its targets: `python -m tests.bench`.

Starts its own servers on its own databases and drives them from this process. What counts are ratios: the reference of
each is measured in the same run, in turns with the service, by the same clients, whose own time is in both. Nothing is
asserted; the table says what is met.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
from pathlib import Path

from tests.bench import access, careplan, growth, start, update, worklist
from tests.bench.databases import databases
from tests.bench.report import Curve, Figure, Report, load_of_the_machine

_KINDS = ("sqlite", "postgresql")
_OF_A_DATABASE = ("update", "growth", "careplan", "worklist")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--database", choices=_KINDS, help="this kind alone; both by default")
    parts = (*_OF_A_DATABASE, "start")
    parser.add_argument("--parts", nargs="+", choices=parts, default=parts, help="these parts alone; all by default")
    parser.add_argument("--access", action="store_true", help="with access control on: every request shows a token")
    parser.add_argument("--quick", action="store_true", help="small numbers: shows that it works, measures nothing")
    parser.add_argument("--write", type=Path, metavar="FOLDER", help="write speed.json and speed.svg there")
    return parser.parse_args()


def run(kinds: tuple[str, ...], parts: tuple[str, ...], quick: bool) -> Report:
    """Every figure and curve of the parts."""
    before = load_of_the_machine()
    figures: list[Figure] = []
    curves: list[Curve] = []
    for kind in kinds if set(parts) & set(_OF_A_DATABASE) else ():
        with tempfile.TemporaryDirectory(prefix="airway-relay-bench-") as folder, databases(kind, Path(folder)) as new:
            if "update" in parts:
                figures += update.measure(kind, new, quick)
            if "careplan" in parts:
                figures += careplan.measure(kind, new, quick)
            for name, part in (("growth", growth), ("worklist", worklist)):
                if name in parts:
                    found, grown = part.measure(kind, new, quick)
                    figures += found
                    curves += grown
    if "start" in parts:
        figures += start.measure(quick)
    return Report(figures, curves, before, load_of_the_machine())


def main() -> None:
    """Measure, print, and write when asked to."""
    asked = _arguments()
    if asked.access:
        os.environ[access.SWITCH] = "on"
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("stopped"))  # so that servers and databases are cleared away
    report = run((asked.database,) if asked.database else _KINDS, tuple(asked.parts), asked.quick)
    print(report.table())
    if asked.write:
        asked.write.mkdir(parents=True, exist_ok=True)
        (asked.write / "speed.json").write_text(report.as_json())
        if report.curves:
            from tests.bench.plot import write_plot

            write_plot(report.curves, asked.write / "speed.svg")


if __name__ == "__main__":
    main()
