"""The integrator's manual's way to a token, word for word, against a service in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Service
from tests.manuals import INTEGRATOR, ROOT, blocks, section


@pytest.mark.long
def test_the_way_to_a_token_in_the_manual_works(start_service: Callable[..., Service], tmp_path: Path) -> None:
    serve, *ways = blocks(section(INTEGRATOR, "Access"), "text")
    assert serve == "AIRWAY_RELAY_ACCESS=on .venv/bin/airway-relay serve\n"
    url, keys = f"sqlite:///{tmp_path}/relay.db", f"{tmp_path}/keys.json"
    service = start_service(url, AIRWAY_RELAY_ACCESS="on", AIRWAY_RELAY_KEY_FILE=keys)
    script = "".join(ways).replace("http://127.0.0.1:8080", service.address)
    (tmp_path / ".venv").symlink_to(Path(sys.executable).parents[1])
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "DATABASE_URL": url},
        check=False,
    )
    assert done.stderr == ""
    registered, rest = done.stdout.splitlines()[:3], done.stdout.splitlines()[3:]
    assert [line.startswith("Organization/") for line in registered] == [True] * 3
    assert rest == ["granted system/Observation.rs system/Task.rs for 300 seconds", "Bundle"]
