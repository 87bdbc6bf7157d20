"""Drives servers with httpx from this process. What is compared takes turns, so that a busy machine slows both alike."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import httpx

from tests.servers import Service

_JSON = {"Content-Type": "application/json"}


@dataclass(frozen=True, slots=True)
class Ask:
    """One request: a GET, or a POST when it has a body."""

    path: str
    body: bytes | None = None

    def send(self, client: httpx.Client) -> None:
        """Send it and read the whole answer. RuntimeError when it is not a success."""
        if self.body is None:
            answer = client.get(self.path)
        else:
            answer = client.post(self.path, content=self.body, headers=_JSON)
        if not answer.is_success:
            raise RuntimeError(f"{answer.status_code} from {self.path}: {answer.text[:300]}")


class Load:
    """Clients of one server, each with a connection of its own."""

    def __init__(self, server: Service, clients: int = 1) -> None:
        self._clients = [httpx.Client(base_url=server.address, timeout=60, auth=server.shown) for _ in range(clients)]
        self._threads = ThreadPoolExecutor(clients)

    def close(self) -> None:
        """Close every connection."""
        self._threads.shutdown()
        for client in self._clients:
            client.close()

    def took_ms(self, ask: Ask) -> float:
        """Milliseconds of one request by the first client."""
        began = time.perf_counter()
        ask.send(self._clients[0])
        return (time.perf_counter() - began) * 1000

    def per_second(self, asks: Sequence[Ask]) -> float:
        """Requests answered a second, all clients at once; each takes every n-th of the requests."""
        began = time.perf_counter()
        shares = [asks[i :: len(self._clients)] for i in range(len(self._clients))]
        for done in [self._threads.submit(_send_all, c, s) for c, s in zip(self._clients, shares, strict=True)]:
            done.result()
        return len(asks) / (time.perf_counter() - began)


def _send_all(client: httpx.Client, asks: Sequence[Ask]) -> None:
    for ask in asks:
        ask.send(client)


@contextlib.contextmanager
def load_on(server: Service, clients: int = 1) -> Iterator[Load]:
    """Clients of a server, closed afterwards."""
    load = Load(server, clients)
    try:
        yield load
    finally:
        load.close()


def turns_ms(sides: Sequence[tuple[Load, Sequence[Ask]]]) -> list[list[float]]:
    """Milliseconds of each request of each side, the sides taking turns after every request."""
    rounds = zip(*(asks for _, asks in sides), strict=True)
    turns = [[load.took_ms(ask) for (load, _), ask in zip(sides, turn, strict=True)] for turn in rounds]
    return [list(times) for times in zip(*turns, strict=True)]
