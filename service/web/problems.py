"""The one place that turns problems into an HTTP status and an OperationOutcome."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.routing import Match

from service.errors import Category, Problem, Refused
from service.fhir.json_text import write
from service.fhir.outcome import operation_outcome

FHIR_JSON = "application/fhir+json; charset=utf-8"
STATUS = {
    Category.NOT_PARSEABLE: 400,
    Category.INVALID: 422,
    Category.BAD_QUERY: 400,
    Category.BUSINESS_RULE: 422,
    Category.FORBIDDEN: 403,
    Category.NOT_FOUND: 404,
    Category.GONE: 410,
    Category.CONFLICT: 409,
    Category.STALE: 412,
    Category.SEVERAL: 412,
    Category.MISMATCHED: 400,
    Category.MISSING_PRECONDITION: 400,
    Category.TOO_LARGE: 413,
    Category.UNSUPPORTED_MEDIA: 415,
    Category.NOT_ACCEPTABLE: 406,
    Category.NOT_ALLOWED: 405,
    Category.NOT_SUPPORTED: 422,
    Category.BUSY: 503,
    Category.TOO_MANY: 429,
    Category.BROKEN_OFF: 408,
    Category.UNPROVED: 401,
    Category.INSECURE: 403,
    Category.MISDIRECTED: 421,
    Category.INTERNAL: 500,
}
_METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE")
_NOT_TAKEN = {
    "PATCH": "PATCH is not taken here; send the whole resource with PUT and If-Match.",
    "DELETE": "Deleting by a search is not taken here; delete a resource by its id.",
}
"""Why the FHIR base does not take a method at an address where it takes others."""
_log = logging.getLogger("airway_relay")


def problem_response(
    problems: tuple[Problem, ...], status: int | None = None, headers: Mapping[str, str] | None = None
) -> Response:
    """All problems in one OperationOutcome; the status is that of the first."""
    code = status or STATUS[problems[0].category]
    headers = {"Retry-After": "1"} if code in (429, 503) else dict(headers or {})
    return Response(write(operation_outcome(problems)), code, headers, media_type=FHIR_JSON)


def install(app: FastAPI) -> None:
    """Answer every failure of the app with an OperationOutcome; never with a stack trace or a dump."""

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, Refused)
        not_taken = error.problems[0].category is Category.NOT_ALLOWED
        return problem_response(error.problems, headers=_allowed(request) if not_taken else None)

    async def http_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        sentences = {404: "There is nothing at this address.", 405: "This method is not taken at this address."}
        category = Category.NOT_FOUND if error.status_code == 404 else Category.NOT_SUPPORTED
        sentence = sentences.get(error.status_code, "The request cannot be taken.")
        if error.status_code == 405 and request.url.path.startswith("/fhir/"):
            sentence = _NOT_TAKEN.get(request.method, sentence)
        headers = _allowed(request) if error.status_code == 405 else error.headers
        return problem_response((Problem(category, sentence),), error.status_code, headers)

    async def failed(request: Request, error: Exception) -> Response:
        request_id = getattr(request.state, "request_id", "")
        _log.error("request failed", extra={"told": {"request_id": request_id, "error": type(error).__name__}})
        sentence = f"The service failed on this request; its number is {request_id}. Nothing of it was stored."
        return problem_response((Problem(Category.INTERNAL, sentence),))

    async def broken_off(_request: Request, _error: Exception) -> Response:
        sentence = "The body was not sent to its end in time; nothing of it was stored."
        return problem_response((Problem(Category.BROKEN_OFF, sentence),))

    app.add_exception_handler(Refused, refused)
    app.add_exception_handler(ClientDisconnect, broken_off)
    app.add_exception_handler(HTTPException, http_error)
    app.add_exception_handler(Exception, failed)


def _allowed(request: Request) -> dict[str, str]:
    """The methods taken at this address (RFC 9110, Allow), without the one that was refused."""
    taken = [
        method
        for method in _METHODS
        if method != request.method
        and any(
            route.matches({**request.scope, "method": method})[0] is Match.FULL for route in request.app.router.routes
        )
    ]
    return {"Allow": ", ".join(taken)}
