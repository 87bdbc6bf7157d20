"""The gate: every request shows an access token (https://www.rfc-editor.org/rfc/rfc6750), or gets no further.

Pages for people take a session instead, and so does the reading of a resource to which they link.
"""

from __future__ import annotations

import re
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.grant import OPEN, Grant
from service.access.jose import NotTrusted
from service.errors import Category, Problem
from service.pipeline.access.sessions import Session, Sessions
from service.pipeline.access.token_check import TokenCheck
from service.web.csrf import is_from_this_site
from service.web.page_paths import is_linked_read, is_page, page_within
from service.web.pages.render import HEADERS
from service.web.pages.routes import refusal
from service.web.problems import problem_response
from service.web.session_cookie import session_secret

PUBLIC = frozenset(
    {
        "/health",
        "/livez",
        "/token",
        "/introspect",
        "/revoke",
        "/.well-known/smart-configuration",
        "/fhir/.well-known/smart-configuration",
        "/fhir/metadata",
        "/style.css",
        "/page.js",
        "/icon.svg",
        "/sign-in",
        "/sign-in/start",
        "/sign-in/callback",
        "/sign-in/link",
    }
)
"""What needs no token, as whatever stands below `/sign-in/link/`. At /introspect and /revoke a client proves itself as it does at /token."""
PUBLIC_BELOW = ("/check-in/",)
"""Below these addresses, what follows is the secret that is asked for elsewhere."""
NOBODY = Grant("", frozenset(), "", ())
"""Whoever asks without a token, where none is needed."""
_LINK = re.compile(r"/sign-in/link/[^/]{1,64}")
_ASK = 'Bearer realm="airway-relay"'


class Gate:
    """ASGI layer that settles `request.state.grant`; without a `check`, access control is off and all is granted."""

    def __init__(
        self, app: ASGIApp, check: TokenCheck | None, https_only: bool, sessions: Sessions | None = None
    ) -> None:
        self._app = app
        self._check = check
        self._sessions = sessions
        self._https_only = https_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http":
            if self._https_only and scope["scheme"] != "https" and scope["path"] not in ("/health", "/livez"):
                await _refused(Category.INSECURE, "This service is reached by https only.", {})(scope, receive, send)
                return
            try:
                state = scope.setdefault("state", {})
                state["grant"] = await self._grant(scope) if self._check else state.get("grant", OPEN)
            except NotTrusted as reason:
                if self._sessions and is_page(scope["path"]) and not any(_tokens(scope)):
                    await _asked_to_sign_in(Request(scope))(scope, receive, send)
                    return
                invalid = f'{_ASK}, error="invalid_token"' if any(_tokens(scope)) else _ASK
                answer = _refused(Category.UNPROVED, str(reason), {"WWW-Authenticate": invalid})
                await answer(scope, receive, send)
                return
        await self._app(scope, receive, send)

    async def _grant(self, scope: Scope) -> Grant:
        assert self._check is not None, "access control is on"
        path = scope["path"]
        if path in PUBLIC or path.startswith(PUBLIC_BELOW) or _LINK.fullmatch(path):
            return NOBODY
        tokens = _tokens(scope)
        session = await self._session(HTTPConnection(scope)) if not tokens else None
        if session is not None:
            scope["state"]["session"] = session
            return session.grant
        if len(tokens) != 1 or not tokens[0]:
            raise NotTrusted("An access token is needed: Authorization: Bearer, with a token from the token endpoint.")
        known = None if self._check.is_stale else self._check.known(tokens[0])
        return known or (await run_in_threadpool(self._check.verified, tokens[0])).grant

    async def _session(self, asked: HTTPConnection) -> Session | None:
        """The session of a request for a page, or for a resource to which pages link; it opens nothing else."""
        path, secret = asked.scope["path"], session_secret(asked)
        links_here = asked.scope["method"] in ("GET", "HEAD") and is_linked_read(path) and is_from_this_site(asked)
        if self._sessions is None or not secret or not (is_page(path) or links_here):
            return None
        return self._sessions.known(secret) or await run_in_threadpool(self._sessions.looked_up, secret)


def _asked_to_sign_in(request: Request) -> Response:
    """Who only wants to look is led to the sign-in and back; what was sent is not kept."""
    if request.method in ("GET", "HEAD"):
        query = f"?{request.url.query}" if request.url.query else ""
        to = urlencode({"next": page_within(f"{request.url.path}{query}")})
        return Response(status_code=303, headers={**HEADERS, "Location": f"/sign-in?{to}"})
    sentence = "You are not signed in any more. Nothing was stored; sign in and send it again."
    response = refusal(request, (Problem(Category.UNPROVED, sentence),))
    response.headers["WWW-Authenticate"] = _ASK
    return response


def _tokens(scope: Scope) -> list[str]:
    """The bearer token of each Authorization header; empty for one that holds none."""
    found = [value.decode("latin-1") for name, value in scope["headers"] if name == b"authorization"]
    parts = [text.partition(" ") for text in found]
    return [token.strip() if scheme.lower() == "bearer" else "" for scheme, _, token in parts]


def _refused(category: Category, sentence: str, headers: dict[str, str]) -> ASGIApp:
    return problem_response((Problem(category, sentence),), headers=headers)
