"""The cookies of signing in: one that holds the session, one that binds a sign-in to the browser that began it.

Both are told to no script. `SameSite=Lax` lets them come along when a link or the sign-in service leads here, which only
ever reads; what changes something is held to the session by its form token. Over https the name demands Secure, this
host and no other, and the path `/`: https://datatracker.ietf.org/doc/html/draft-ietf-httpbis-rfc6265bis#name-the-__host-prefix
"""

from __future__ import annotations

import re

from starlette.requests import HTTPConnection
from starlette.responses import Response

from service.pipeline.access.sessions import Session

SESSION, BEGUN = "airway_relay_session", "airway_relay_sign_in"
_SECRET = re.compile(r"[A-Za-z0-9_-]{43}")


def name_of(connection: HTTPConnection, name: str) -> str:
    """The name of a cookie as it is over https, or on loopback without."""
    return f"__Host-{name}" if _is_secure(connection) else name


def session_secret(connection: HTTPConnection) -> str:
    """The secret of the browser's session; empty when it holds none that could be one."""
    held = connection.cookies.get(name_of(connection, SESSION), "")
    return held if _SECRET.fullmatch(held) else ""


def session_of(request: HTTPConnection) -> Session | None:
    """The session with which a request was let in; None without one."""
    return getattr(request.state, "session", None)


def give(connection: HTTPConnection, response: Response, name: str, value: str, seconds: int | None = None) -> None:
    """Put a cookie into a response; without `seconds` the browser keeps it until it is closed."""
    response.set_cookie(
        name_of(connection, name),
        value,
        max_age=seconds,
        path="/",
        secure=_is_secure(connection),
        httponly=True,
        samesite="lax",
    )


def take_back(connection: HTTPConnection, response: Response, name: str) -> None:
    """Have the browser forget a cookie."""
    give(connection, response, name, "", 0)


def _is_secure(connection: HTTPConnection) -> bool:
    return connection.scope["scheme"] == "https"
