"""Emergency access by a header on a request that reads; the audit keeps the reason, the log that it happened."""

from __future__ import annotations

import logging
from collections.abc import Collection

from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.emergency import HEADER, emergency
from service.access.grant import OPEN
from service.errors import Category, Refused, refuse
from service.web.problems import problem_response

_NAME = HEADER.lower().encode()
_log = logging.getLogger("airway_relay")


class BreakGlass:
    """ASGI layer, inside the one that settles the grant: puts the reason for emergency access into the grant."""

    def __init__(self, app: ASGIApp, registered: Collection[str]) -> None:
        self._app, self._registered = app, registered

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        reasons = [value for name, value in scope["headers"] if name == _NAME] if scope["type"] == "http" else []
        if reasons:
            try:
                self._break(scope, reasons)
            except Refused as error:
                await problem_response(error.problems)(scope, receive, send)
                return
        await self._app(scope, receive, send)

    def _break(self, scope: Scope, reasons: list[bytes]) -> None:
        if not _reads(scope):
            raise refuse(Category.FORBIDDEN, "Emergency access is for reading only.", HEADER)
        state = scope.setdefault("state", {})
        reason = b" ".join(reasons).decode("utf-8", "replace")
        state["grant"] = grant = emergency(state.get("grant", OPEN), reason, self._registered)
        told = {"request_id": state.get("request_id", ""), "client": grant.client}
        _log.warning("emergency access", extra={"told": told})


def _reads(scope: Scope) -> bool:
    return scope["method"] in ("GET", "HEAD") or (scope["method"] == "POST" and scope["path"].endswith("/_search"))
