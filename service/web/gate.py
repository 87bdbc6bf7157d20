"""The gate: every request shows an access token (https://www.rfc-editor.org/rfc/rfc6750), or gets no further."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.grant import OPEN, Grant
from service.access.jose import NotTrusted
from service.errors import Category, Problem
from service.pipeline.token_check import TokenCheck
from service.web.problems import problem_response

PUBLIC = frozenset(
    {
        "/health",
        "/token",
        "/introspect",
        "/revoke",
        "/.well-known/smart-configuration",
        "/fhir/.well-known/smart-configuration",
        "/fhir/metadata",
        "/style.css",
        "/icon.svg",
    }
)
"""What needs no token. At /introspect and /revoke a client proves itself as it does at /token."""
PUBLIC_BELOW = ("/check-in/",)
"""Below these addresses, what follows is the secret that is asked for elsewhere."""
NOBODY = Grant("", frozenset(), "", ())
"""Whoever asks without a token, where none is needed."""
_ASK = 'Bearer realm="airway-relay"'


class Gate:
    """ASGI layer that settles `request.state.grant`; without a `check`, access control is off and all is granted."""

    def __init__(self, app: ASGIApp, check: TokenCheck | None, https_only: bool) -> None:
        self._app = app
        self._check = check
        self._https_only = https_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http":
            if self._https_only and scope["scheme"] != "https" and scope["path"] != "/health":
                await _refused(Category.INSECURE, "This service is reached by https only.", {})(scope, receive, send)
                return
            try:
                state = scope.setdefault("state", {})
                state["grant"] = await self._grant(scope) if self._check else state.get("grant", OPEN)
            except NotTrusted as reason:
                invalid = f'{_ASK}, error="invalid_token"' if any(_tokens(scope)) else _ASK
                answer = _refused(Category.UNPROVED, str(reason), {"WWW-Authenticate": invalid})
                await answer(scope, receive, send)
                return
        await self._app(scope, receive, send)

    async def _grant(self, scope: Scope) -> Grant:
        assert self._check is not None, "access control is on"
        if scope["path"] in PUBLIC or scope["path"].startswith(PUBLIC_BELOW):
            return NOBODY
        tokens = _tokens(scope)
        if len(tokens) != 1 or not tokens[0]:
            raise NotTrusted("An access token is needed: Authorization: Bearer, with a token from the token endpoint.")
        known = None if self._check.is_stale else self._check.known(tokens[0])
        return known or (await run_in_threadpool(self._check.verified, tokens[0])).grant


def _tokens(scope: Scope) -> list[str]:
    """The bearer token of each Authorization header; empty for one that holds none."""
    found = [value.decode("latin-1") for name, value in scope["headers"] if name == b"authorization"]
    parts = [text.partition(" ") for text in found]
    return [token.strip() if scheme.lower() == "bearer" else "" for scheme, _, token in parts]


def _refused(category: Category, sentence: str, headers: dict[str, str]) -> ASGIApp:
    return problem_response((Problem(category, sentence),), headers=headers)
