"""Every block of the examples' pages is run, word for word, against a service in a process of its own."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from service.fhir.json_text import load
from tests.conftest import Service

ROOT = Path(__file__).parent.parent
FOLDERS = ("sleep-lab", "dental-office", "physician")


def blocks(folder: str) -> list[str]:
    page = (ROOT / "examples" / folder / "README.md").read_text()
    return re.findall(r"```sh\n(.*?)```", page, re.DOTALL)


def run(script: str, environment: dict[str, str]) -> str:
    """Run a block as a shell would; what it printed, with its variables kept for the next block."""
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"{script}\necho; echo VARIABLES; echo CASE=${{CASE:-}}"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], **environment},
        check=True,
    )
    printed, _, variables = done.stdout.rpartition("VARIABLES\n")
    case = variables.strip().removeprefix("CASE=")
    if case:
        environment["CASE"] = case
    return printed


@pytest.mark.skipif(shutil.which("curl") is None, reason="the examples are written for curl")
def test_the_examples_work_by_copy_and_paste(start_service: Callable[..., Service], tmp_path: Path) -> None:
    service = start_service(
        f"sqlite:///{tmp_path}/relay.db",
        AIRWAY_RELAY_CALLBACKS="127.0.0.1",
        AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK="yes",
    )
    environment = {"ADDRESS": service.address}
    printed = [run(block, environment) for folder in FOLDERS for block in blocks(folder)]
    assert not [text for text in printed if "OperationOutcome" in text]
    assert environment["CASE"].startswith("AR-")
    final = load(printed[-1].strip().rpartition("\n")[2])
    assert final["stage"] == "in-follow-up"
    assert final["response"]["outcome"] == "complete"
    assert final["response"]["fall_percent"] == Decimal("81.70")


def test_a_case_in_a_file_is_decided_without_a_service() -> None:
    environment = {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    decided, checked = (run(block, environment) for block in blocks("case-file"))
    assert "Not yet ready for an efficacy test" in decided
    assert "As of 30 Sep 2026: Ready for an efficacy test" in decided
    assert '"outcome": "cannot-say"' in decided
    assert checked.strip() == ""


def test_every_example_file_is_used() -> None:
    pages = "".join((ROOT / "examples" / folder / "README.md").read_text() for folder in (*FOLDERS, "case-file"))
    files = [p.relative_to(ROOT).as_posix() for p in (ROOT / "examples").rglob("*.json")]
    assert files
    assert [f for f in files if f not in pages] == []
