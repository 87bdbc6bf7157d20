"""The bounds of connections and of work, apart from any network: tables at their edges."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.types import Message, Receive, Scope, Send

from service.access.grant import OPEN
from service.listening.budgets import Budgets, Unbounded, most_connections
from service.listening.connections import Connections, Phase
from service.web.work import MOST_WAITING_PER_TURN, BoundedWork, Work

PER_ADDRESS = 3


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Protocol:
    """A connection in a phase, for as long as the test says."""

    def __init__(self, phase: Phase, since_s: float) -> None:
        self.phase, self.since_s, self.ended = phase, since_s, False

    def waits(self) -> tuple[Phase, float]:
        return self.phase, self.since_s

    def is_overdue(self, now_s: float) -> bool:
        return self.phase is Phase.HEAD and now_s - self.since_s > 30

    def end(self) -> None:
        self.ended = True


@pytest.fixture
def sockets() -> Iterator[list[socket.socket]]:
    found = [socket.socket() for _ in range(8)]
    yield found
    for one in found:
        one.close()


def _connections(clock: Clock, most: int = 4, *proxies: str) -> Connections:
    return Connections(Budgets(connections_per_address=PER_ADDRESS), most, Unbounded.of(proxies), clock)


@pytest.mark.parametrize(
    ("addresses", "taken"),
    [
        (["192.0.2.1"] * 5, 3),
        (["192.0.2.1", "192.0.2.2"] * 2, 4),
        (["127.0.0.1"] * 5, 5),
        (["::1"] * 5, 5),
        (["::ffff:127.0.0.1"] * 5, 5),
        (["10.0.5.7"] * 5, 5),
        (["2001:db8::1", "2001:db8::2", "2001:db8::3", "2001:db8::4"], 3),
        (["2001:db8:0:1::1", "2001:db8:0:2::1", "2001:db8:0:3::1", "2001:db8:0:4::1"], 4),
    ],
    ids=["one address", "two addresses", "this machine", "its IPv6", "IPv4 in IPv6", "a proxy", "one /64", "four /64"],
)
def test_connections_per_address(sockets: list[socket.socket], addresses: list[str], taken: int) -> None:
    connections = _connections(Clock(), 8, "10.0.5.0/24")
    pairs = zip(sockets, addresses, strict=False)
    assert sum(connections.takes(one, address) for one, address in pairs) == taken
    assert len(connections) == taken


def test_an_address_gets_its_connections_back_when_they_are_closed(sockets: list[socket.socket]) -> None:
    connections = _connections(Clock(), 8)
    assert [connections.takes(one, "192.0.2.1") for one in sockets[:4]] == [True, True, True, False]
    connections.closed(sockets[0].fileno())
    assert connections.takes(sockets[4], "192.0.2.1")


def test_the_one_that_waits_longest_gives_way_and_one_at_work_never_does(sockets: list[socket.socket]) -> None:
    clock = Clock()
    connections = _connections(clock)
    held = [Protocol(Phase.WORK, 1), Protocol(Phase.BODY, 2), Protocol(Phase.HEAD, 5), Protocol(Phase.HEAD, 4)]
    for one, protocol in zip(sockets, held, strict=False):
        assert connections.takes(one, "127.0.0.1")
        connections.joined(one.fileno(), protocol)
    assert connections.is_full()
    for gives_way in (3, 2, 1):
        assert connections.makes_room() and held[gives_way].ended
        assert connections.makes_room()  # that one is ending; no other has to
        assert sum(one.ended for one in held) == 4 - gives_way
        connections.closed(sockets[gives_way].fileno())
    assert not connections.makes_room()
    assert not held[0].ended


def test_what_is_overdue_ends_and_is_told_once_a_minute(
    sockets: list[socket.socket], caplog: pytest.LogCaptureFixture
) -> None:
    clock = Clock()
    connections = _connections(clock, 8)
    for second, one in enumerate(sockets):
        connections.takes(one, "127.0.0.1")
        connections.joined(one.fileno(), Protocol(Phase.HEAD, clock.now_s + second))
    clock.now_s += 30
    connections.end_overdue()
    assert not caplog.records
    told: list[dict[str, Any]] = []
    for _ in range(70):
        clock.now_s += 1
        connections.end_overdue()
        told += [vars(record)["told"] for record in caplog.records]
        caplog.clear()
    assert [line["overdue"] for line in told] == [1, 7]


def test_half_of_the_descriptors_stay_free() -> None:
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    assert most_connections(16) == 16
    assert most_connections(10**9) <= max(8, hard // 2) or hard == resource.RLIM_INFINITY
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_clients_work_takes_turns_and_other_clients_do_not_wait() -> None:
    async def play() -> None:
        work = Work(2)
        assert await work.begin("a") and await work.begin("a")
        waiting = asyncio.create_task(work.begin("a"))
        await asyncio.sleep(0)
        assert not waiting.done()
        assert await work.begin("b")
        work.end("a")
        assert await waiting
        for client in ("a", "a", "b"):
            work.end(client)
        assert len(work) == 0

    asyncio.run(play())


def test_too_many_requests_of_one_client_are_429_and_those_of_another_are_served() -> None:
    most = 1 + MOST_WAITING_PER_TURN
    release = asyncio.Event()
    statuses: dict[str, list[int]] = {"192.0.2.1": [], "192.0.2.2": []}

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive()).get("more_body"):
            pass
        if scope["client"][0] == "192.0.2.1":
            await release.wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    bounded = BoundedWork(app, per_client=1)

    async def asked(address: str, method: str = "GET") -> None:
        scope = {"type": "http", "method": method, "path": "/fhir/Patient", "headers": [], "client": (address, 1)}
        headers: dict[str, str] = {}

        async def receive() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                statuses[address].append(message["status"])
                headers.update({k.decode(): v.decode() for k, v in message["headers"]})

        await bounded({**scope, "state": {"grant": OPEN}}, receive, send)
        if statuses[address][-1] == 429:
            assert int(headers["retry-after"]) >= 1

    async def play() -> None:
        tasks = [asyncio.create_task(asked("192.0.2.1")) for _ in range(most + 5)]
        await asyncio.sleep(0.05)
        assert statuses["192.0.2.1"] == [429] * 5
        await asked("192.0.2.2")
        assert statuses["192.0.2.2"] == [200]
        release.set()
        await asyncio.gather(*tasks)
        assert statuses["192.0.2.1"] == [429] * 5 + [200] * most

    asyncio.run(play())


def test_a_body_that_is_still_being_sent_takes_no_turn() -> None:
    """Else whoever sends slowly would keep its own other requests, or those of a shared address, from being served."""
    started: list[str] = []

    async def app(scope: Scope, receive: Receive, _send: Send) -> None:
        started.append(scope["method"])
        await receive()

    bounded = BoundedWork(app, per_client=1)
    scope = {"type": "http", "path": "/fhir/Patient", "client": ("192.0.2.1", 1), "state": {}}

    async def never() -> Message:
        await asyncio.Event().wait()
        raise AssertionError

    async def at_once() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(_message: Message) -> None:
        pass

    async def play() -> None:
        post = {**scope, "method": "POST", "headers": [(b"content-length", b"10")]}
        sending = asyncio.create_task(bounded(post, never, send))
        await asyncio.sleep(0)
        await asyncio.wait_for(bounded({**scope, "method": "GET", "headers": []}, at_once, send), 1)
        sending.cancel()

    asyncio.run(play())
    assert started == ["POST", "GET"]
