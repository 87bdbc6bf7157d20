"""Delete (https://hl7.org/fhir/R4/http.html#delete). What is deleted is named: deleting by a search is not taken."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.inbound.fhir_single import map_delete
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import FhirClient, Reply, client_of, known_type, response_of, written_alone


async def delete(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Delete a resource of a type that no decision cites; its earlier versions stay."""
    client, match = client_of(request), request.headers.get("if-match")
    reply = await run_in_threadpool(delete_reply, client, kind, resource_id, match)
    return response_of(request, reply, client.prefer)


def delete_reply(client: FhirClient, kind: str, resource_id: str, match: str | None, place: int | None = None) -> Reply:
    """Delete a resource; of one that is not there it is done already."""
    known_type(kind)
    return written_alone(
        client.pipeline.take(client.received(b"", "delete", place), map_delete(kind, resource_id, match))
    )
