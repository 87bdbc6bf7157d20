"""The connections a process holds, bounded in all and per address, counted from the moment they are accepted.

When there are as many as there may be, one that only waits for its sender gives way, so that whoever comes is served.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import socket
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Protocol

from service.access.limits import address_group
from service.listening.budgets import Budgets, Unbounded

_EXHAUSTED = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
_LONGEST_ENDING_S = 2.0
_TOLD_EVERY_S = 60.0
_log = logging.getLogger("airway_relay")


class Phase(IntEnum):
    """What a connection is doing, in the order in which connections give way; one at work never does."""

    IDLE = 0
    HEAD = 1
    BODY = 2
    WORK = 3


class Timed(Protocol):
    """A connection that has its protocol."""

    def waits(self) -> tuple[Phase, float]:
        """What it is doing, and since when."""
        ...

    def is_overdue(self, now_s: float) -> bool:
        """Whether its sender has had its time."""
        ...

    def end(self) -> None:
        """Close it at once."""
        ...


@dataclass(slots=True, eq=False)
class HeldConnection:
    """One connection; without a protocol while TLS is being settled."""

    socket: socket.socket
    group: str
    since_s: float
    protocol: Timed | None = None
    ending_since_s: float | None = None

    def waits(self) -> tuple[Phase, float]:
        """What it is doing, and since when."""
        return self.protocol.waits() if self.protocol else (Phase.HEAD, self.since_s)

    def end(self, now_s: float) -> None:
        """Close it; the event loop gives its descriptor back on its next turn."""
        self.ending_since_s = now_s
        if self.protocol:
            self.protocol.end()
            return
        with contextlib.suppress(OSError):  # the peer was quicker
            self.socket.shutdown(socket.SHUT_RDWR)


@dataclass
class Connections:
    """All connections of this process, by file descriptor."""

    budgets: Budgets
    most: int
    unbounded: Unbounded
    clock: Callable[[], float] = time.monotonic
    _held: dict[int, HeldConnection] = field(default_factory=dict)
    _groups: Counter[str] = field(default_factory=Counter)
    _untold: Counter[str] = field(default_factory=Counter)
    _told_s: float | None = None

    def __len__(self) -> int:
        return len(self._held)

    def is_full(self) -> bool:
        """Whether there is no room for one more."""
        return len(self._held) >= self.most

    def makes_room(self) -> bool:
        """Close the connection that has waited longest for its sender. False when all are at work."""
        now_s = self.clock()
        ending = [held.ending_since_s for held in self._held.values() if held.ending_since_s is not None]
        if any(now_s - since_s < _LONGEST_ENDING_S for since_s in ending):
            return True
        waiting = [held for held in self._held.values() if held.waits()[0] is not Phase.WORK]
        if not waiting:
            return False
        min(waiting, key=lambda held: held.waits()).end(now_s)
        self._untold["gave way"] += 1
        return True

    def takes(self, connection: socket.socket, address: str) -> bool:
        """Keep a connection that was accepted. False, and not kept, when its address has enough of them."""
        group = "" if not address or address in self.unbounded else address_group(address)
        if group and self._groups[group] >= self.budgets.connections_per_address:
            self.refused()
            return False
        self._held[connection.fileno()] = HeldConnection(connection, group, self.clock())
        self._groups[group] += 1
        return True

    def refused(self) -> None:
        """Count a connection that was closed unread."""
        self._untold["refused"] += 1

    def joined(self, descriptor: int, protocol: Timed) -> None:
        """A connection has got its protocol."""
        held = self._held.get(descriptor)
        if held is not None:
            held.protocol = protocol

    def closed(self, descriptor: int) -> None:
        """A connection is closed and its descriptor free again."""
        held = self._held.pop(descriptor, None)
        if held is not None:
            self._groups[held.group] -= 1
            if not self._groups[held.group]:
                del self._groups[held.group]

    def end_overdue(self) -> None:
        """Close every connection whose sender has had its time, and tell once a minute how many there were."""
        now_s = self.clock()
        for held in list(self._held.values()):
            if held.ending_since_s is None and self._is_overdue(held, now_s):
                held.end(now_s)
                self._untold["overdue"] += 1
        if self._untold and (self._told_s is None or now_s - self._told_s >= _TOLD_EVERY_S):
            told = {name.replace(" ", "_"): number for name, number in self._untold.items()}
            _log.warning("connections were closed", extra={"told": {**told, "open": len(self._held)}})
            self._untold.clear()
            self._told_s = now_s

    def _is_overdue(self, held: HeldConnection, now_s: float) -> bool:
        if held.protocol:
            return held.protocol.is_overdue(now_s)
        return now_s - held.since_s > self.budgets.request_seconds


class Accepted(socket.socket):
    """A connection that says when it is closed."""

    on_close: Callable[[int], None] | None = None

    def close(self) -> None:
        """Close it."""
        descriptor, told = self.fileno(), self.on_close
        super().close()
        if told and descriptor >= 0 and self.fileno() < 0:
            self.on_close = None
            told(descriptor)


class Listening(socket.socket):
    """A listening socket that never runs out of file descriptors: the event loop accepts from it."""

    connections: Connections
    _spare: int | None = None

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection that is taken. BlockingIOError when there is none for now."""
        if self._spare is None:
            self._spare = _spare()
        while True:
            full = self.connections.is_full()
            if full and self.connections.makes_room():
                raise BlockingIOError  # the loop comes again when the descriptor is free
            taken, address = self._next()
            if not full and self.connections.takes(taken, address[0]):
                taken.on_close = self.connections.closed
                return taken, address
            if full:
                self.connections.refused()
            taken.close()

    def close(self) -> None:
        """Stop listening."""
        super().close()
        if self._spare is not None:
            os.close(self._spare)
            self._spare = None

    def _next(self) -> tuple[Accepted, Any]:
        try:
            taken, address = super().accept()
        except OSError as error:
            if error.errno not in _EXHAUSTED:
                raise
            self._turned_away()
            raise BlockingIOError from None
        return Accepted(taken.family, taken.type, taken.proto, fileno=taken.detach()), address

    def _turned_away(self) -> None:
        """Use the spare descriptor to close whoever waits, who would else keep the event loop awake for nothing."""
        if self._spare is not None:
            os.close(self._spare)
        with contextlib.suppress(OSError):
            super().accept()[0].close()
            self.connections.refused()
        self._spare = _spare()


def _spare() -> int | None:
    """A descriptor held in reserve; None when even that cannot be had."""
    try:
        return os.open(os.devnull, os.O_RDONLY)
    except OSError:
        return None


def listening_on(host: str, port: int, connections: Connections) -> list[socket.socket]:
    """A socket for each address of `host`, bound and not yet listening. OSError when one cannot be used."""
    found: list[socket.socket] = []
    for family, kind, number, _, address in dict.fromkeys(
        socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    ):
        one = Listening(family, kind, number)
        one.connections = connections
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        one.bind(address)
        found.append(one)
    return found
