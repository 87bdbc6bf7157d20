"""How many requests of one client are worked on at once, so that no client keeps the service from the others.

A request counts when it has come whole: one that is still being sent costs no work. Others of the client wait in turn for
a while, then are answered with 429.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, field

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.access.grant import OPEN, Grant
from service.access.limits import address_group
from service.errors import Category, Problem, Refused
from service.web.problems import problem_response

LONGEST_WAIT_S = 20.0
MOST_WAITING_PER_TURN = 32
"""So many may wait for each that is worked on."""
_LIGHT = frozenset({"/livez", "/health", "/style.css", "/page.js", "/icon.svg", "/fhir/metadata"})
_TOO_MANY = Problem(
    Category.TOO_MANY,
    "Too many of your requests are being worked on at once; send fewer at a time, and this one again.",
)


@dataclass(slots=True)
class _Turns:
    """The turns of one client; forgotten when nobody has or wants one."""

    free: asyncio.Semaphore
    wanted: int = 0


@dataclass(slots=True)
class Work:
    """The turns of all clients of this process."""

    per_client: int
    _turns: dict[str, _Turns] = field(default_factory=dict)

    async def begin(self, client: str) -> bool:
        """Wait for a turn of a client. False when there are too many before it, or it takes too long."""
        turns = self._turns.setdefault(client, _Turns(asyncio.Semaphore(self.per_client)))
        if turns.wanted >= self.per_client * (1 + MOST_WAITING_PER_TURN):
            return False
        turns.wanted += 1
        has_turn = False
        try:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LONGEST_WAIT_S):
                    has_turn = await turns.free.acquire()
            return has_turn
        finally:
            if not has_turn:
                self._leave(client, turns)

    def end(self, client: str) -> None:
        """Give a turn back."""
        turns = self._turns[client]
        turns.free.release()
        self._leave(client, turns)

    def _leave(self, client: str, turns: _Turns) -> None:
        turns.wanted -= 1
        if not turns.wanted:
            del self._turns[client]

    def __len__(self) -> int:
        return len(self._turns)


class BoundedWork:
    """ASGI layer: each request has its client's turn from when it came whole until it is answered."""

    def __init__(self, app: ASGIApp, per_client: int) -> None:
        self._app = app
        self._work = Work(per_client)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http" or scope["path"] in _LIGHT:
            await self._app(scope, receive, send)
            return
        client, has_turn = client_of(scope), False

        async def received() -> Message:
            nonlocal has_turn
            message = await receive()
            if message["type"] == "http.request" and not message.get("more_body") and not has_turn:
                has_turn = await self._work.begin(client)
                if not has_turn:
                    raise Refused(_TOO_MANY)
            return message

        try:
            if not _has_body(scope):
                has_turn = await self._work.begin(client)
                if not has_turn:
                    await problem_response((_TOO_MANY,))(scope, receive, send)
                    return
            await self._app(scope, received, send)
        finally:
            if has_turn:
                self._work.end(client)


def client_of(scope: Scope) -> str:
    """Who is meant: the client or person that proved itself, else the address."""
    grant: Grant = scope.get("state", {}).get("grant", OPEN)
    if grant.client or grant.person:
        return f"{grant.client} {grant.person}"
    client = scope.get("client")
    return address_group(client[0]) if client else ""


def _has_body(scope: Scope) -> bool:
    """Whether a body belongs to the request, which its handler then reads."""
    headers = Headers(scope=scope)
    return scope["method"] in ("POST", "PUT", "PATCH") and (
        headers.get("content-length", "0") != "0" or "transfer-encoding" in headers
    )
