"""A short run says everything it should; how fast it was is not asserted. Common practice, no source."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.report import Figure


def test_a_short_run_reports_every_figure_of_its_part(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.bench", "--quick", "--database", "sqlite", "--parts", "growth", "--write"]
    root = Path(__file__).parents[2]
    said = subprocess.run([*command, str(tmp_path)], check=True, capture_output=True, text=True, cwd=root).stdout
    held = json.loads((tmp_path / "speed.json").read_text())
    (figure,) = held["figures"]
    (curve,) = held["curves"]
    assert figure["database"] == curve["database"] == "sqlite"
    assert figure["name"] in said
    assert [size for size, _ in curve["points"]] == sorted(size for size, _ in curve["points"])
    assert all(milliseconds > 0 for _, milliseconds in curve["points"])
    assert "<svg" in (tmp_path / "speed.svg").read_text()


@pytest.mark.parametrize(
    ("measured", "at_least", "verdict"),
    [
        (0.5, True, "met"),
        (0.25, True, "missed by 0.250"),
        (0.5, False, "met"),
        (0.75, False, "missed by 0.250"),
    ],
)
def test_a_target_is_met_at_its_limit_and_else_missed_by_the_difference(
    measured: float, at_least: bool, verdict: str
) -> None:
    assert Figure("a share", "sqlite", measured, 0.5, at_least=at_least).verdict() == verdict
