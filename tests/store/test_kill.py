"""A process killed in the middle of its work: what was acknowledged is there, and nothing is half-stored."""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import httpx
import pytest

from tests.conftest import Service
from tests.short_run import times
from tests.store.messages import Post, check_in, delivered, referral, send, setting
from tests.store.whole import check_whole, rows_of

_CYCLES = int(os.environ.get("AIRWAY_RELAY_KILL_CYCLES", times(5, 1)))
_CLIENTS = 4
_DAYS = [f"2026-09-{day:02}" for day in range(1, 29)]


@dataclass
class Acknowledged:
    """What the service said was stored, by all clients."""

    versions: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    cases: list[str] = field(default_factory=list)

    def add(self, answer: httpx.Response) -> None:
        """What one answer says."""
        data = answer.json()
        self.requests.append(answer.headers["x-request-id"])
        self.cases.append(data["case_number"])
        self.versions.extend(f"{r['reference']}/_history/{r['version']}" for r in data["resources"])


def _work(service: Service, cycle: int, client: int, number: str, said: Acknowledged, unexpected: list[str]) -> None:
    """Post entries of its own, and now and then a new referral, until the service is gone."""
    with service.client() as http:
        for n in range(10_000):
            name = f"{cycle}-{client}-{n}"
            day = _DAYS[n % len(_DAYS)]
            if n % 5 == 4:
                post, case = Post("referrals", referral(f"R-{name}")), None
            else:
                post = setting(f"s-{name}", day, n % 5) if n % 2 else check_in(f"c-{name}", day, snoring=n % 10)
                case = number
            try:
                answer = send(http, post, case)
            except httpx.TransportError:
                return
            if answer.status_code != 201:
                unexpected.append(f"{answer.status_code} {answer.text[:200]}")
                return
            said.add(answer)


@pytest.mark.sampled
@pytest.mark.at_length
def test_killed_in_the_middle_of_posts_nothing_acknowledged_is_lost_and_nothing_is_half_stored(
    database_url: str, start_service: Callable[..., Service]
):
    rng = random.Random(20261120)
    said, unexpected = Acknowledged(), []
    service = start_service(database_url)
    with service.client() as http:
        number = send(http, Post("referrals", referral("R-first"))).json()["case_number"]
        assert send(http, delivered(), number).status_code == 201
    for cycle in range(_CYCLES):
        before = len(said.requests)
        clients = [
            threading.Thread(target=_work, args=(service, cycle, client, number, said, unexpected))
            for client in range(_CLIENTS)
        ]
        for thread in clients:
            thread.start()
        wanted = before + rng.randint(5, 25)
        while len(said.requests) < wanted and any(thread.is_alive() for thread in clients):
            time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.02))
        service.kill()
        for thread in clients:
            thread.join()
        assert not unexpected
        assert len(said.requests) >= wanted
        service.start()
        everything_said_is_there(database_url, said)
    with service.client() as http:
        assert http.get(f"/cases/{number}").status_code == 200
    check_whole(rows_of(database_url))


def everything_said_is_there(database_url: str, said: Acknowledged) -> None:
    held = rows_of(database_url)
    versions = {f"{r['type']}/{r['id']}/_history/{r['version']}" for r in held["resource_version"]}
    assert set(said.versions) <= versions
    assert set(said.requests) <= {m["id"] for m in held["message"]}
    assert set(said.cases) <= {c["case_number"] for c in held["case_row"]}
