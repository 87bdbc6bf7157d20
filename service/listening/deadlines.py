"""Deadlines of requests, which uvicorn has only between them: for the head, for the body, and for reading the answer."""

from __future__ import annotations

import asyncio
import logging
import socket
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from service.listening.connections import Connections, Phase
from service.web.log_lines import tell_repeats

_log = logging.getLogger("airway_relay")
MOST_CHUNKS = 20_000
_SWEPT_EVERY_TICKS = 5
"""Ticks of uvicorn's main loop, each of a tenth of a second."""


class _TooManyChunks(Exception):
    pass


class CountedChunks(h11.Connection):
    """h11, which takes a request in so many chunks alone: each costs as much as thousands of bytes in one piece."""

    _chunks = 0

    def next_event(self) -> Any:
        """What came next. Raises when a request comes in too many chunks."""
        event = super().next_event()
        if isinstance(event, h11.Data):
            self._chunks += 1
            if self._chunks > MOST_CHUNKS:
                raise _TooManyChunks
        elif isinstance(event, h11.Request):
            self._chunks = 0
        return event


class TimedConnection(H11Protocol):
    """A connection over which requests come, each within its time."""

    table: Connections

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.conn = CountedChunks(h11.SERVER)

    def handle_events(self) -> None:
        """Go on with what came; whoever sends crumbs is cut off."""
        try:
            super().handle_events()
        except _TooManyChunks:
            self.end()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """The connection is ready for its first request."""
        super().connection_made(transport)
        now_s = self.table.clock()
        self._since_s = self._last_byte_s = self._checked_s = now_s
        self._came = 0
        self._phase = Phase.HEAD
        self._answered_s: float | None = None
        self._unread: tuple[int, float] | None = None
        self.table.joined(transport.get_extra_info("socket").fileno(), self)

    def data_received(self, data: bytes) -> None:
        """Bytes of a request; what they belong to decides which deadline holds."""
        request = self.cycle
        super().data_received(data)
        self._last_byte_s = self.table.clock()
        self._came += len(data)
        self._enter(self._now_in(), is_new=self.cycle is not request)

    def on_response_complete(self) -> None:
        """An answer was given, if need be before its request was read to the end."""
        request, self._answered_s = self.cycle, self.table.clock()
        super().on_response_complete()  # which may begin the next request, if it was sent along
        self._enter(self._now_in(), is_new=self.cycle is not request)

    def waits(self) -> tuple[Phase, float]:
        """What the connection is doing, and since when."""
        return self._phase, self._since_s

    def is_overdue(self, now_s: float) -> bool:
        """Whether the sender has had its time for the head or body of a request, or for reading the answer."""
        passed_s, self._checked_s = now_s - self._checked_s, now_s
        if self._phase is Phase.BODY and self.flow.read_paused:  # the service itself is not reading
            self._since_s += passed_s
            self._last_byte_s = now_s
        return self._is_unread_for_long(now_s) or self._is_unsent_for_long(now_s)

    def end(self) -> None:
        """Close the connection at once."""
        self.transport.abort()

    def _is_unsent_for_long(self, now_s: float) -> bool:
        longest_s = self.table.budgets.request_seconds
        if self._phase is Phase.WORK:
            return False
        if self._phase is not Phase.BODY:  # uvicorn ends idle ones sooner, unless an empty line keeps its timer away
            return now_s - self._since_s > max(longest_s, self._phase is Phase.IDLE and self.timeout_keep_alive)
        if self._answered_s is not None and now_s - self._answered_s > self.timeout_keep_alive:
            return True
        return now_s - self._last_byte_s > longest_s or self._is_slow(self._came, now_s - self._since_s)

    def _is_unread_for_long(self, now_s: float) -> bool:
        """Whether an answer stays in the buffer."""
        size = self.transport.get_write_buffer_size()
        if not size or not (self.flow.write_paused or self.transport.is_closing()):
            self._unread = None
            return False
        if self._unread is None:
            self._unread = (size, now_s)
        began_size, began_s = self._unread
        return self._is_slow(max(began_size - size, 0), now_s - began_s)

    def _is_slow(self, moved_bytes: int, took_s: float) -> bool:
        """Whether less has moved than the least rate asks for, when the first seconds are over."""
        over_s = took_s - self.table.budgets.request_seconds
        return over_s > 0 and moved_bytes <= self.table.budgets.least_bytes_per_second * over_s

    def _now_in(self) -> Phase:
        state = self.conn.their_state
        if state is h11.SEND_BODY:
            return Phase.BODY
        if state is not h11.IDLE:
            return Phase.WORK
        is_first = self.cycle is None
        return Phase.HEAD if is_first or self.conn.trailing_data[0] else Phase.IDLE

    def _enter(self, phase: Phase, is_new: bool) -> None:
        if phase is self._phase and not is_new:
            return
        if is_new:
            self._answered_s = None
        self._phase, self._since_s, self._came = phase, self.table.clock(), 0


class BoundedServer(uvicorn.Server):
    """uvicorn, which closes what is overdue as time passes."""

    def __init__(self, config: uvicorn.Config, connections: Connections) -> None:
        super().__init__(config)
        self._connections = connections

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen, and say where: uvicorn says it only of sockets that it opened itself."""
        await super().startup(sockets)
        told = {"on": [one.getsockname()[:2] for one in sockets or []], "connections": self._connections.most}
        _log.info("listening", extra={"told": told})

    async def on_tick(self, counter: int) -> bool:
        """Look after the connections twice a second."""
        if counter % _SWEPT_EVERY_TICKS == 0:
            self._connections.end_overdue()
            tell_repeats()
        return await super().on_tick(counter)


def protocol_of(connections: Connections) -> type[Any]:
    """The protocol of a server whose connections are these."""
    return type("Connection", (TimedConnection,), {"table": connections})
