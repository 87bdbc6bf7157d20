"""Create and conditional create (https://hl7.org/fhir/R4/http.html#create and #ccreate)."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.fhir.build import Resource
from service.fhir.json_text import parse
from service.inbound.fhir_single import map_create
from service.web.exchange import body_of
from service.web.fhir_paths import Kind
from service.web.fhir_reply import FhirClient, Reply, client_of, known_type, response_of, written_alone


async def create(request: Request, kind: Kind) -> Response:
    """Create a resource; If-None-Exist and business identifiers make a repeat answer 200."""
    known_type(kind)
    text, client = await body_of(request), client_of(request)
    condition = request.headers.get("if-none-exist")
    reply = await run_in_threadpool(lambda: create_reply(client, kind, parse(text), text, condition))
    return response_of(request, reply, client.prefer)


def create_reply(
    client: FhirClient, kind: str, resource: Resource, text: bytes, condition: str | None, place: int | None = None
) -> Reply:
    """Store a new resource, or answer with the one that is there."""
    known_type(kind)
    mapped = map_create(resource, kind, condition, client.base)
    return written_alone(client.pipeline.take(client.received(text, "create", place), mapped))
