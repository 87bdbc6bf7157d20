"""Reading what is there: read, vread, the CapabilityStatement.

https://hl7.org/fhir/R4/http.html#read, #vread, #cread and #capabilities
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.pipeline.access.asking import note_versions
from service.rows import Stored
from service.web.fhir_paths import Id, Kind, Version
from service.web.fhir_reply import FhirClient, Reply, client_of, known_type, response_of


async def read(request: Request, kind: Kind, resource_id: Id) -> Response:
    """The current version of a resource, with ETag; 304 when the client has it."""
    reply = await run_in_threadpool(read_reply, client_of(request), kind, resource_id, request.headers)
    return response_of(request, reply)


async def vread(request: Request, kind: Kind, resource_id: Id, version: Version) -> Response:
    """One version of a resource."""
    reply = await run_in_threadpool(vread_reply, client_of(request), kind, resource_id, version, request.headers)
    return response_of(request, reply)


def read_reply(client: FhirClient, kind: str, resource_id: str, conditions: Mapping[str, str]) -> Reply:
    """The current version; `conditions` are If-None-Match and If-Modified-Since, in lower case."""
    known_type(kind)
    held = client.seen("r", kind).resource(kind, resource_id)
    note_versions("read", [held])
    return _unless_held(held, conditions)


def vread_reply(client: FhirClient, kind: str, resource_id: str, version: str, conditions: Mapping[str, str]) -> Reply:
    """One version."""
    known_type(kind)
    if not (version.isascii() and version.isdigit()) or len(version) > 9:
        raise refuse(Category.NOT_FOUND, f"«{version[:20]}» is not a version.")
    held = client.seen("r", kind).version(kind, resource_id, int(version))
    note_versions("vread", [held])
    return _unless_held(held, conditions)


def _unless_held(held: Stored, conditions: Mapping[str, str]) -> Reply:
    """The version, or 304 when the client holds it (RFC 9110: If-None-Match goes before If-Modified-Since)."""
    reference = f"{held.type}/{held.id}/_history/{held.version}"
    reply = Reply(200, held.body, reference, held.version, held.last_updated)
    known = conditions.get("if-none-match")
    since = _moment(conditions.get("if-modified-since"))
    if known is not None:
        same = known.strip() == "*" or f'"{held.version}"' in {p.strip().removeprefix("W/") for p in known.split(",")}
    else:
        same = since is not None and datetime.fromisoformat(held.last_updated).replace(microsecond=0) <= since
    return Reply(304, "", reference, held.version, held.last_updated) if same else reply


def _moment(text: str | None) -> datetime | None:
    """An HTTP date, or the instant an entry of a Bundle names; None for anything else, as RFC 9110 asks."""
    if not text:
        return None
    for parse in (parsedate_to_datetime, datetime.fromisoformat):
        try:
            found = parse(text)
            return (found if found.tzinfo else found.replace(tzinfo=UTC)).astimezone(UTC)
        except (ValueError, OverflowError):
            continue
    return None
