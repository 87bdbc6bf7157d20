"""Deliverer and service killed in the middle of their work, again and again: every event arrives, in order.

`AIRWAY_RELAY_KILL_CYCLES=100` runs as many cycles as that; the normal run makes a few.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import httpx
import pytest

from service.fhir.json_text import load, write
from tests.conftest import Service
from tests.outbound.asked import subscription
from tests.outbound.receiver import Receiver, receiving
from tests.short_run import times
from tests.store.messages import Post, accepted, referral, send
from tests.store.test_notices import check_gapless
from tests.store.whole import check_whole, rows_of

CYCLES = int(os.environ.get("AIRWAY_RELAY_KILL_CYCLES", times(3, 1)))
_ALLOWED = {"AIRWAY_RELAY_CALLBACKS": "127.0.0.1", "AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK": "yes"}
_CLIENTS = 4


@contextmanager
def _deliverer(database_url: str) -> Iterator[subprocess.Popen[bytes]]:
    """`airway-relay deliver` in a process of its own, killed at the end."""
    environment = {**os.environ, **_ALLOWED, "DATABASE_URL": database_url}
    command = [sys.executable, "-m", "service", "deliver"]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def _subscribe(service: Service, receiver: Receiver, **wishes: int) -> str:
    body = subscription(endpoint=receiver.url, timeout_s=1, **wishes)
    headers = {"Content-Type": "application/fhir+json"}
    answer = httpx.post(f"{service.address}/fhir/Subscription", content=write(body), headers=headers, timeout=30)
    assert answer.status_code == 201, answer.text
    return load(answer.text)["id"]


def _work(service: Service, cycle: int, client: int, said: list[str], unexpected: list[str]) -> None:
    """Open cases and accept them until the service is gone; what was acknowledged is kept."""
    with service.client() as http:
        for n in range(10_000):
            try:
                answer = send(http, Post("referrals", referral(f"R-{cycle}-{client}-{n}")))
                if answer.status_code == 201:
                    said.append(f"{answer.json()['case_number']} referred")
                    answer = send(http, accepted(), answer.json()["case_number"])
                    said.append(f"{answer.json()['case_number']} accepted")
            except httpx.TransportError:
                return
            if answer.status_code not in (200, 201):
                unexpected.append(f"{answer.status_code} {answer.text[:200]}")
                return


def _killed_under_load(service: Service, cycle: int, rng: random.Random, said: list[str]) -> None:
    """Work by several clients until the service is killed in the middle of it."""
    unexpected: list[str] = []
    clients = [
        threading.Thread(target=_work, args=(service, cycle, client, said, unexpected)) for client in range(_CLIENTS)
    ]
    wanted = len(said) + rng.randint(4, 12)
    for thread in clients:
        thread.start()
    while len(said) < wanted and any(thread.is_alive() for thread in clients):
        time.sleep(0.001)
    time.sleep(rng.uniform(0, 0.3))
    service.kill()
    for thread in clients:
        thread.join()
    assert unexpected == []


def _all_told(database_url: str, receiver: Receiver, name: str, said: list[str]) -> None:
    """Every acknowledged decision is an event, and every event was received, the first time in order."""
    held = rows_of(database_url)
    told = {f"{n['case_number']} {n['stage']}" for n in held["notice"]}
    assert set(said) <= told, "an acknowledged decision has no notice"
    assert all(n["handed_out"] for n in held["notice"])
    count = len(held["notice"])
    assert receiver.numbers()[-1] == count
    first_seen = list(dict.fromkeys(receiver.numbers()))
    assert first_seen == list(range(1, count + 1)), "an event is missing, or came before an earlier one"
    check_gapless(held, [name])
    check_whole(held)


@pytest.mark.sampled
def test_the_service_killed_with_the_deliverer_inside_it_tells_everything(
    database_url: str, start_service: Callable[..., Service]
):
    rng, said = random.Random(20261125), []
    with receiving() as receiver:
        service = start_service(database_url, **_ALLOWED)
        name = _subscribe(service, receiver, most=3)
        for cycle in range(CYCLES):
            _killed_under_load(service, cycle, rng, said)
            service.start()
        _wait_until_quiet(database_url, receiver)
    _all_told(database_url, receiver, name, said)


@pytest.mark.sampled
def test_a_deliverer_apart_killed_in_the_middle_tells_everything(
    database_url: str, start_service: Callable[..., Service]
):
    """The service does not deliver; deliverers apart are killed while two others keep at it, on either database."""
    rng, said, unexpected = random.Random(20261126), [], []
    with receiving() as receiver, _deliverer(database_url):
        service = start_service(database_url, **_ALLOWED, AIRWAY_RELAY_DELIVER="no")
        name = _subscribe(service, receiver, most=2)
        worker = threading.Thread(target=_work, args=(service, 0, 0, said, unexpected))
        worker.start()
        for _ in range(CYCLES):
            with _deliverer(database_url):
                time.sleep(rng.uniform(0.8, 2.5))
        service.kill()
        worker.join()
        assert unexpected == []
        _wait_until_quiet(database_url, receiver)
    _all_told(database_url, receiver, name, said)


def _wait_until_quiet(database_url: str, receiver: Receiver) -> None:
    """Until every notice that is there was sent."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        held = rows_of(database_url)
        (row,) = held["subscription"]
        if row["sent_event"] == len(held["notice"]):
            return
        time.sleep(0.2)
    raise AssertionError(f"only {receiver.numbers()[-1:]} of {len(held['notice'])} notices were sent: {row}")
