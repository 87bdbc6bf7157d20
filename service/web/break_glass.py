"""Puts an open emergency access into the grant of a request that reads: a client names it, a person's page is found.

A client names it in a header. On the pages nothing is named: the access that a person has open to a case is used for the
pages of that case, and for the resources they link to, where they could not be read otherwise.
"""

from __future__ import annotations

import logging
from dataclasses import replace

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.emergency import HEADER, OLD_HEADER, Emergency
from service.access.grant import OPEN, Grant
from service.errors import Category, Refused, refuse
from service.fhir.audit_event import MINOR_FAILURE
from service.pipeline.access.asking import Seen, note
from service.pipeline.access.emergencies import Emergencies
from service.web.audit import asked_of
from service.web.page_paths import about_of
from service.web.problems import problem_response

_NAME, _OLD_NAME = HEADER.lower().encode(), OLD_HEADER.lower().encode()
_log = logging.getLogger("airway_relay")


class BreakGlass:
    """ASGI layer, inside the one that settles the grant."""

    def __init__(self, app: ASGIApp, emergencies: Emergencies) -> None:
        self._app, self._emergencies = app, emergencies

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http":
            try:
                used = await self._used(scope)
            except Refused as error:
                note(
                    Seen("operation", "emergency access refused", query=asked_of(Request(scope)), outcome=MINOR_FAILURE)
                )
                await problem_response(error.problems)(scope, receive, send)
                return
            if used is not None:
                self._use(scope, used)
        await self._app(scope, receive, send)

    async def _used(self, scope: Scope) -> Emergency | None:
        named = [value for name, value in scope["headers"] if name == _NAME]
        if any(name == _OLD_NAME for name, _ in scope["headers"]):
            sentence = (
                "A reason alone opens nothing. Open emergency access to one patient or case with POST /emergency-access, "
                f"and send its id in {HEADER} with requests that read."
            )
            raise refuse(Category.INVALID, sentence, OLD_HEADER)
        grant: Grant = scope.get("state", {}).get("grant", OPEN)
        if named:
            if not _reads(scope):
                raise refuse(Category.FORBIDDEN, "Emergency access is for reading only.", HEADER)
            if len(named) > 1:
                raise refuse(Category.INVALID, f"{HEADER} names one emergency access.", HEADER)
            text = named[0].decode("latin-1")
            return await run_in_threadpool(self._emergencies.named_by, grant, text)
        about = about_of(scope["path"]) if grant.person and scope["method"] in ("GET", "HEAD") else ""
        return await run_in_threadpool(self._emergencies.covering, grant, about) if about else None

    def _use(self, scope: Scope, used: Emergency) -> None:
        state = scope.setdefault("state", {})
        grant: Grant = state["grant"]
        state["grant"] = replace(grant, emergency=used)
        told = {"request_id": state.get("request_id", ""), "client": grant.client}
        _log.warning("emergency access", extra={"told": told})


def _reads(scope: Scope) -> bool:
    return scope["method"] in ("GET", "HEAD") or (scope["method"] == "POST" and scope["path"].endswith("/_search"))
