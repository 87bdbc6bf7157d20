"""Processes that tests start: every wait for one has a limit, and none is left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@contextlib.contextmanager
def sigint_ignored() -> Iterator[None]:
    """Children that are started within inherit it, as from a shell that runs `command &` in a script."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def command_of_ours(
    *arguments: str, environment: Mapping[str, str] | None = None, ignoring_sigint: bool = False
) -> Iterator[subprocess.Popen[str]]:
    """`airway-relay` with its children in a process group of its own, its output as text; all killed afterwards."""
    with sigint_ignored() if ignoring_sigint else contextlib.nullcontext():
        running = subprocess.Popen(
            [sys.executable, "-u", "-m", "service", *arguments],
            cwd=ROOT,
            env={**os.environ, **(environment or {})},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
    try:
        yield running
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
        running.wait(10)
        assert running.stdout
        running.stdout.close()


def lines_until(running: subprocess.Popen[str], part: str, within_s: float = 120) -> list[str]:
    """What it prints up to a line with this part; fails when it ends, or prints none in time."""
    assert running.stdout
    too_late = threading.Timer(within_s, os.killpg, (running.pid, signal.SIGKILL))
    too_late.start()
    told: list[str] = []
    try:
        for line in running.stdout:
            told.append(line)
            if part in line:
                return told
    finally:
        too_late.cancel()
    pytest.fail(f"no line has {part!r} within {within_s} s: {told}")


def group_is_gone(group: int, within_s: float = 5) -> bool:
    """Whether no process of a group is left."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False
