"""Where clients get, examine and give back access tokens, and read how.

https://hl7.org/fhir/smart-app-launch/STU2.2/backend-services.html and conformance.html there.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qsl

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.smart import smart_configuration_of
from service.pipeline.access.authenticate import Rejected
from service.pipeline.access.parts import AccessParts
from service.pipeline.access.tokens import Tokens
from service.web.audit import note_token, note_token_refused
from service.web.exchange import answer
from service.web.media import parts_of

router = APIRouter(tags=["Access"])
_FORM = "application/x-www-form-urlencoded"
_MOST_BYTES, _MOST_FIELDS = 50_000, 20
_NO_STORE = {"Cache-Control": "no-store", "Pragma": "no-cache"}
_FORM_OPENAPI = {
    "requestBody": {"required": True, "content": {_FORM: {"schema": {"type": "object"}}}},
}


def access_of(request: Request) -> AccessParts | None:
    """The parts of access control; None while it is off."""
    return request.app.state.access


@router.post("/token", response_class=Response, openapi_extra=_FORM_OPENAPI)
async def token(request: Request) -> Response:
    """An access token of at most five minutes for a client that proves itself by a signed assertion."""

    def issued(tokens: Tokens, form: dict[str, str], address: str) -> dict[str, Any]:
        made = tokens.issue(form, address)
        note_token(request, made.client.id, made.client.organisation, made.scope)
        return made.told

    return await _answered(request, issued)


@router.post("/introspect", response_class=Response, openapi_extra=_FORM_OPENAPI)
async def introspect(request: Request) -> Response:
    """What one of the client's own tokens is worth now (https://www.rfc-editor.org/rfc/rfc7662)."""
    return await _answered(request, lambda tokens, form, address: tokens.introspect(form, address))


@router.post("/revoke", response_class=Response, openapi_extra=_FORM_OPENAPI)
async def revoke(request: Request) -> Response:
    """Take one of the client's own tokens back (https://www.rfc-editor.org/rfc/rfc7009)."""
    return await _answered(request, lambda tokens, form, address: tokens.revoke(form, address))


@router.get("/.well-known/smart-configuration", response_class=Response)
@router.get("/fhir/.well-known/smart-configuration", response_class=Response)
async def smart_configuration(request: Request) -> Response:
    """How a client gets a token, at the root and below the FHIR base."""
    access = access_of(request)
    if access is None:
        raise refuse(Category.NOT_FOUND, "Access control is off; no token is needed.")
    found = smart_configuration_of(access.place.issuer, access.place.token_url, own=access.tokens is not None)
    return answer(found, headers={"Cache-Control": "max-age=300"})


async def _answered(request: Request, work: Callable[[Tokens, dict[str, str], str], dict[str, Any] | None]) -> Response:
    access = access_of(request)
    if access is None or access.tokens is None:
        raise refuse(
            Category.NOT_FOUND, "This service issues no tokens: access control is off, or another issues them."
        )
    address = request.client.host if request.client else ""
    try:
        form = await _form_of(request)
        found = await run_in_threadpool(work, access.tokens, form, address)
    except Rejected as rejected:
        note_token_refused(request, rejected.error)
        headers = dict(_NO_STORE)
        if rejected.status == 401:
            headers["WWW-Authenticate"] = f'Bearer realm="airway-relay", error="{rejected.error}"'
        if rejected.wait_s:
            headers["Retry-After"] = str(rejected.wait_s)
        body = {"error": rejected.error, "error_description": rejected.sentence}
        return answer(body, rejected.status, headers)
    return answer(found, headers=_NO_STORE) if found is not None else Response(status_code=200, headers=_NO_STORE)


async def _form_of(request: Request) -> dict[str, str]:
    """The fields of a form, each once (https://www.rfc-editor.org/rfc/rfc6749#section-3.2)."""
    if parts_of(request.headers.get("content-type", ""))[0] != _FORM:
        raise Rejected("invalid_request", f"The body must be {_FORM}.")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_BYTES:
            raise Rejected("invalid_request", f"The form is longer than {_MOST_BYTES} bytes.")
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        raise Rejected("invalid_request", f"The form cannot be read, or has more than {_MOST_FIELDS} fields.") from None
    form = dict(pairs)
    if len(form) != len(pairs):
        raise Rejected("invalid_request", "A field of the form stands there twice.")
    return form
