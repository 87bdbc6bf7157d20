"""Update, update as create, conditional update (https://hl7.org/fhir/R4/http.html#update, #upsert and #cond-update)."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.build import Resource
from service.fhir.json_text import parse
from service.inbound.fhir_single import map_conditional_update, map_update
from service.web.exchange import body_of
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import FhirClient, Reply, client_of, known_type, response_of, written_alone

_OF_THE_ANSWER = ("_format", "_pretty")


async def update(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Update a resource at the version named by If-Match; create it where clients may name ids."""
    known_type(kind)
    text, client, match = await body_of(request), client_of(request), request.headers.get("if-match")
    reply = await run_in_threadpool(lambda: update_reply(client, kind, resource_id, parse(text), text, match))
    return response_of(request, reply, client.prefer)


async def conditional_update(request: Request, kind: Kind) -> Response:
    """Update the resource with an identifier; create it when there is none."""
    known_type(kind)
    text, client, match = await body_of(request), client_of(request), request.headers.get("if-match")
    query = "&".join(p for p in request.url.query.split("&") if p.partition("=")[0] not in _OF_THE_ANSWER)
    reply = await run_in_threadpool(lambda: conditional_update_reply(client, kind, query, parse(text), text, match))
    return response_of(request, reply, client.prefer)


def update_reply(
    client: FhirClient,
    kind: str,
    resource_id: str,
    resource: Resource,
    text: bytes,
    match: str | None,
    place: int | None = None,
) -> Reply:
    """Store the next version of a resource."""
    known_type(kind)
    mapped = map_update(resource, kind, resource_id, match, client.base)
    return written_alone(client.pipeline.take(client.received(text, "update", place), mapped))


def conditional_update_reply(
    client: FhirClient,
    kind: str,
    query: str,
    resource: Resource,
    text: bytes,
    match: str | None,
    place: int | None = None,
) -> Reply:
    """Store the next version of the resource with an identifier, or the first."""
    known_type(kind)
    if not query:
        raise refuse(Category.NOT_SUPPORTED, "An update names one resource as Type/id, or asks for its identifier.")
    mapped = map_conditional_update(resource, kind, query, match, client.base)
    return written_alone(client.pipeline.take(client.received(text, "update", place), mapped))
