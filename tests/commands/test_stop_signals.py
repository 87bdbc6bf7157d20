"""SIGINT and SIGTERM end the commands that stay up, with their children, also when SIGINT was ignored at the start."""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.processes import command_of_ours, group_is_gone, lines_until
from tests.servers import free_port

SIGNALS = [
    pytest.param((signal.SIGINT,), id="SIGINT"),
    pytest.param((signal.SIGTERM,), id="SIGTERM"),
    pytest.param((signal.SIGINT, signal.SIGTERM), id="both"),
]
_ENDS_WITHIN_S = 10


@pytest.fixture
def service(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A service just started, on an empty database."""
    environment = {"DATABASE_URL": f"sqlite:///{tmp_path}/relay.db", "AIRWAY_RELAY_PORT": str(free_port())}
    with command_of_ours("serve", environment=environment, ignoring_sigint=True) as running:
        yield running


def ended(running: subprocess.Popen[str], signals: tuple[signal.Signals, ...]) -> int:
    """The status with which it ends in time; no process of its group is left."""
    for one in signals:
        running.send_signal(one)
    status = running.wait(_ENDS_WITHIN_S)
    assert group_is_gone(running.pid)
    return status


@pytest.mark.sampled
@pytest.mark.parametrize("signals", SIGNALS)
def test_a_service_ends_with_status_0(service: subprocess.Popen[str], signals: tuple[signal.Signals, ...]) -> None:
    lines_until(service, '"event": "listening"', within_s=60)
    assert ended(service, signals) == 0


@pytest.mark.sampled
@pytest.mark.parametrize("signals", SIGNALS)
def test_the_demo_ends_with_status_0_and_its_service_with_it(signals: tuple[signal.Signals, ...]) -> None:
    with command_of_ours("demo", ignoring_sigint=True) as running:
        lines_until(running, "Press Ctrl-C")
        assert ended(running, signals) == 0


@pytest.mark.sampled
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_demo_that_did_not_get_to_its_end_says_by_which_signal(number: signal.Signals) -> None:
    with command_of_ours("demo", "--once", ignoring_sigint=True) as running:
        lines_until(running, "An invented scenario")
        assert ended(running, (number,)) == 128 + number


def test_a_service_that_is_still_starting_ends_too(service: subprocess.Popen[str]) -> None:
    """SIGINT comes from the first moment on, when Python itself has not begun."""
    until = time.monotonic() + _ENDS_WITHIN_S
    while service.poll() is None and time.monotonic() < until:
        service.send_signal(signal.SIGINT)
        time.sleep(0.05)
    assert ended(service, ()) == 0
