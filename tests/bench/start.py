"""How long the command line and the service take to start, each in a new process."""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from statistics import median

import httpx

from tests.bench.report import Figure
from tests.servers import Service, free_port


def took_ms(work: Callable[[], object]) -> float:
    """Milliseconds that a work takes."""
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) * 1000


def start_of_python() -> float:
    """Milliseconds of the interpreter alone: what no program in Python can do without."""
    return took_ms(lambda: subprocess.run([sys.executable, "-c", ""], check=True, capture_output=True))


def start_of_the_command() -> float:
    """Milliseconds that the command line takes to say its version."""
    return took_ms(
        lambda: subprocess.run([sys.executable, "-m", "service", "--version"], check=True, capture_output=True)
    )


def start_of_the_service() -> float:
    """Milliseconds from the start of the process to the first capability statement, on an empty database."""
    with tempfile.TemporaryDirectory() as folder:
        service = Service(f"sqlite:///{folder}/relay.db", free_port())
        began = time.perf_counter()
        service.launch()
        try:
            _wait_for_the_port(service)
            answer = httpx.get(f"{service.address}/fhir/metadata", timeout=30)
            took = (time.perf_counter() - began) * 1000
            answer.raise_for_status()
        finally:
            service.stop()
    return took


def _wait_for_the_port(service: Service) -> None:
    until = time.monotonic() + 300
    while time.monotonic() < until and service.runs():
        try:
            socket.create_connection(("127.0.0.1", service.port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.002)
    raise RuntimeError("the service did not start within 300 s")


def measure(quick: bool) -> list[Figure]:
    """Both starts, beside that of Python alone."""
    rounds = [(start_of_python(), start_of_the_command(), start_of_the_service()) for _ in range(2 if quick else 9)]
    python, command, service = (median(times) for times in zip(*rounds, strict=True))
    beside = {"python_alone_ms": python}
    return [
        Figure("start of `airway-relay --version`", "", command / 1000, 0.3, unit="s", details=beside),
        Figure("start of the service, to its first answer", "", service / 1000, 1.2, unit="s", details=beside),
    ]
