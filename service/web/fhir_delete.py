"""Delete (https://hl7.org/fhir/R4/http.html#delete), and the refusals of conditional delete and of PATCH."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.inbound.fhir_single import map_delete
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import Caller, Reply, caller_of, known_type, response_of, written_alone


async def delete(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Delete a resource of a type that no decision cites; its earlier versions stay."""
    caller, match = caller_of(request), request.headers.get("if-match")
    reply = await run_in_threadpool(delete_reply, caller, kind, resource_id, match)
    return response_of(request, reply, caller.prefer)


def delete_reply(caller: Caller, kind: str, resource_id: str, match: str | None, place: int | None = None) -> Reply:
    """Delete a resource; of one that is not there it is done already."""
    known_type(kind)
    return written_alone(
        caller.pipeline.take(caller.received(b"", "delete", place), map_delete(kind, resource_id, match))
    )


async def conditional_delete(_request: Request, kind: Kind) -> Response:
    """Not taken: what is deleted is named."""
    known_type(kind)
    raise refuse(Category.NOT_ALLOWED, "Deleting by a search is not taken here; delete a resource by its id.")


async def patch(_request: Request, kind: Kind, resource_id: Id) -> Response:
    """Not taken: a whole resource is sent, so that all of it is checked."""
    known_type(kind)
    sentence = f"PATCH is not taken here; send all of {kind}/{resource_id[:64]} with PUT and If-Match."
    raise refuse(Category.NOT_ALLOWED, sentence)
