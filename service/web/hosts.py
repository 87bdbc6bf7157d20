"""Under which names the service is asked for: its configured address and loopback, and no other.

A page elsewhere whose name is made to lead here asks under that name, so it gets nothing (DNS rebinding). RFC 9110, 15.5.20.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from service.errors import Category, Problem
from service.web.problems import problem_response

LOOPBACK = frozenset({"localhost", "127.0.0.1", "[::1]"})
_SENTENCE = "This service is not known by the host name that was asked for."


class KnownHosts:
    """ASGI layer that refuses requests for another host (421)."""

    def __init__(self, app: ASGIApp, public_url: str) -> None:
        self._app = app
        target = urlsplit(public_url)
        self._names = {target.netloc.lower()}
        if target.port in (None, 80, 443):
            self._names.add(f"{_host_of(target.netloc)}:{target.port or (443 if target.scheme == 'https' else 80)}")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http":
            named = Headers(scope=scope).getlist("host")
            if len(named) != 1 or not self._is_known(named[0].lower()):
                await problem_response((Problem(Category.MISDIRECTED, _SENTENCE),))(scope, receive, send)
                return
        await self._app(scope, receive, send)

    def _is_known(self, name: str) -> bool:
        return name in self._names or _host_of(name) in LOOPBACK


def _host_of(netloc: str) -> str:
    """The host of `host:port`; an IPv6 address keeps its brackets."""
    host, colon, port = netloc.lower().rpartition(":")
    return host if colon and port.isdigit() else netloc.lower()


def base_of(request: Request) -> str:
    """The FHIR base under which clients know the service, as it is configured, whatever the request says."""
    return f"{request.app.state.public_url}/fhir"
