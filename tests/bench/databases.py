"""Empty databases of a run, and the servers on them: a service, or the references, each in its own process."""

from __future__ import annotations

import contextlib
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from tests.bench import access
from tests.servers import Service, free_port, postgres_cluster

_START_SECONDS, _SLOW_START_SECONDS = 300.0, 10.0
"""A server on a large database of a busy machine starts slowly; that is said, and what is measured comes after it."""
NewDatabase = Callable[[], str]
"""Makes an empty database; its URL."""


@contextlib.contextmanager
def databases(kind: str, folder: Path) -> Iterator[NewDatabase]:
    """A maker of databases of a kind: files in a folder, or databases of a PostgreSQL cluster of the run's own."""
    if kind == "sqlite":
        yield lambda: f"sqlite:///{folder}/{uuid.uuid4().hex}.db"
        return
    with postgres_cluster() as address:
        admin = create_engine(make_url(address).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")

        def make() -> str:
            name = f"bench_{uuid.uuid4().hex[:12]}"
            with admin.connect() as connection:
                connection.execute(text(f'CREATE DATABASE "{name}"'))
            return make_url(address).set(database=name).render_as_string(hide_password=False)

        yield make
        admin.dispose()


@contextlib.contextmanager
def service_on(database_url: str) -> Iterator[Service]:
    """The service on a database; with access control on where the run asks for it."""
    service = Service(database_url, free_port())
    if not access.is_on():
        with _running(service):
            yield service
        return
    with tempfile.TemporaryDirectory(prefix="airway-relay-bench-keys-") as folder:
        service.environment |= {"AIRWAY_RELAY_ACCESS": "on", "AIRWAY_RELAY_KEY_FILE": f"{folder}/keys.json"}
        service.shown = access.Tokens(database_url, service.address)
        with _running(service):
            yield service


@contextlib.contextmanager
def references_on(database_url: str) -> Iterator[Service]:
    """The references on a database."""
    with _running(Service(database_url, free_port(), command=("tests.bench.references",))) as service:
        yield service


@contextlib.contextmanager
def _running(service: Service) -> Iterator[Service]:
    try:
        began = time.monotonic()
        service.start(_START_SECONDS)
        if (took_s := time.monotonic() - began) > _SLOW_START_SECONDS:
            print(f"{service.command[0]} took {took_s:.0f} s to start", file=sys.stderr)
        yield service
    finally:
        service.stop()
