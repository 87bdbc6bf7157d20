"""Bodies in, with limits; answers out, with ETag; a number on every request."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import date
from typing import Any

from fastapi import Request, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.access.grant import OPEN, Grant
from service.errors import Category, refuse
from service.fhir.dates import day_of
from service.fhir.json_text import write
from service.fhir.referral_task import Role
from service.intake.sender import Sender
from service.pipeline.access.callers import caller_for
from service.pipeline.pipeline import Pipeline
from service.web.media import body_fault
from service.web.problems import FHIR_JSON

JSON = "application/json; charset=utf-8"
_SAFE_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"permissions-policy", b"camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()"),
    (b"content-security-policy", b"default-src 'none'; style-src 'self'; form-action 'none'; frame-ancestors 'none'"),
)
_PASSING = 2
"""As many times the largest body are read of one that is too large, before the connection is closed."""
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_log = logging.getLogger("airway_relay")


async def body_of(request: Request, fault_of: Callable[[str], str] = body_fault) -> bytes:
    """The body, refused when its media type is at fault (JSON by default) or it is larger than the service takes."""
    fault = fault_of(request.headers.get("content-type", ""))
    if fault:
        raise refuse(Category.UNSUPPORTED_MEDIA, fault)
    limit: int = request.app.state.max_body_bytes
    declared = request.headers.get("content-length", "0")
    chunks: list[bytes] = []
    size = 0
    is_too_large = declared.isascii() and declared.isdigit() and int(declared) > limit
    async for chunk in request.stream():
        size += len(chunk)
        is_too_large = is_too_large or size > limit
        # read on and keep nothing: a proxy that still sends when the connection closes answers 502 of its own
        if is_too_large:
            chunks.clear()
        else:
            chunks.append(chunk)
        if size > _PASSING * limit:
            break
    if is_too_large:
        raise refuse(Category.TOO_LARGE, f"The body is larger than {limit} bytes; send it in parts.")
    return b"".join(chunks)


def pipeline_of(request: Request) -> Pipeline:
    """The pipeline the app was built with."""
    return request.app.state.pipeline


def grant_of(request: Request) -> Grant:
    """What whoever sends the request was granted; everything while access control is off."""
    return getattr(request.state, "grant", OPEN)


def sender_of(request: Request, role: Role = Role.UNKNOWN) -> Sender:
    """Who sends the request, in the role of a door if it has one. The one place where a sender begins."""
    return Sender(role, grant_of(request))


def needed(grant: Grant, letter: str, kind: str) -> None:
    """Refused with 403 when no scope grants an interaction (one of `cruds`) on a type."""
    if not grant.allows(letter, kind):
        sentence = f"The token's scopes do not grant this: system/{kind}.{letter} is needed."
        raise refuse(Category.FORBIDDEN, sentence)


def seen(pipeline: Pipeline, grant: Grant, letter: str, kind: str, one_record: bool | None = None) -> Pipeline:
    """The pipeline as a grant sees it in an interaction (`r` or `s`) on a type. 403 when no scope grants that.

    `one_record`: whether one patient's record is asked for, which emergency access opens; a read does, a search not.
    """
    needed(grant, letter, kind)
    return pipeline.seen_by(caller_for(grant, letter, one_record))


def seen_by_sender(request: Request, letter: str, kind: str, one_record: bool | None = None) -> Pipeline:
    """The pipeline as the sender of a request sees it."""
    return seen(pipeline_of(request), grant_of(request), letter, kind, one_record)


def day_asked(request: Request, name: str, today: date) -> date:
    """The day a query parameter asks about; today when it does not stand there."""
    text = request.query_params.get(name)
    if not text:
        return today
    try:
        return day_of(text)
    except ValueError as error:
        raise refuse(Category.INVALID, f"{name}: {error}.", name) from None


def answer(data: Any, status: int = 200, headers: dict[str, str] | None = None, fhir: bool = False) -> Response:
    """JSON-ready data as a response; text is sent as it is."""
    text = data if isinstance(data, str) else write(data)
    return Response(text, status, headers, media_type=FHIR_JSON if fhir else JSON)


class NumberedRequests:
    """ASGI layer: a number for every request, safe headers on every answer, one log line without patient data."""

    def __init__(self, app: ASGIApp, new_number: Any) -> None:
        self._app = app
        self._new_number = new_number

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        number = self._new_number()
        scope.setdefault("state", {})["request_id"] = number
        began, status = time.perf_counter(), 0

        async def numbered(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                given = {name for name, _ in message["headers"]}
                extra = [pair for pair in _SAFE_HEADERS if pair[0] not in given]
                message["headers"] = [*message["headers"], *extra, (b"x-request-id", number.encode())]
            await send(message)

        try:
            await self._app(scope, receive, numbered)
        finally:
            route = getattr(scope.get("route"), "path", "-")
            took = (time.perf_counter() - began) * 1000
            told = {
                "request_id": number,
                "method": scope["method"] if scope["method"] in _METHODS else "other",
                "route": route,
                "status": status,
                "ms": round(took, 1),
            }
            grant: Grant | None = scope["state"].get("grant")
            _log.info("request", extra={"told": told | ({"client": grant.client} if grant and grant.client else {})})
