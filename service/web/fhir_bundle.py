"""Batches and transactions (https://hl7.org/fhir/R4/http.html#transaction).

A transaction is stored whole or not at all, and its reads see what it wrote. The entries of a batch stand alone, each
with its own outcome.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qsl

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Problem, Refused, refuse
from service.fhir.audit_event import MINOR_FAILURE
from service.fhir.build import Resource
from service.fhir.json_text import parse, write
from service.inbound.bundle_links import Addresses
from service.inbound.fhir_bundle import READS, conditions_of, entries_of, map_bundle, request_of
from service.inbound.plain import AskedRead
from service.pipeline.access.asking import Seen, note
from service.web.exchange import body_of
from service.web.fhir_create import create_reply
from service.web.fhir_delete import delete_reply
from service.web.fhir_read import read_reply, vread_reply
from service.web.fhir_reply import FhirClient, Reply, client_of, entry_of, fhir_response, refused, written
from service.web.fhir_search import history_reply, search_reply, type_history_reply
from service.web.fhir_update import conditional_update_reply, update_reply

_log = logging.getLogger("airway_relay")


async def transaction(request: Request) -> Response:
    """A transaction Bundle: all of it or nothing. A batch Bundle: each entry on its own."""
    text, client = await body_of(request), client_of(request)
    answered, case_number = await run_in_threadpool(_answered, client, text)
    headers = {"X-Case-Number": case_number} if case_number else {}
    return fhir_response(request, answered, headers=headers)


def _answered(client: FhirClient, text: bytes) -> tuple[Resource, str]:
    """The response Bundle and the case it is about, empty for a batch."""
    bundle = parse(text)
    if bundle.get("type") == "batch":
        entries = [_on_its_own(client, entry, place) for place, entry in enumerate(entries_of(bundle, "batch"))]
        return {"resourceType": "Bundle", "type": "batch-response", "entry": entries}, ""
    stored = client.pipeline.take(
        client.received(text, "transaction"),
        map_bundle(bundle, client.base),
        read=lambda asked: _read_inside(client, asked),
    )
    entries = dict(stored.reads)
    for item in stored.outcomes:
        if not item.derived:
            entries[item.place] = entry_of(written(item, ""), client.prefer)
    told = [entries[place] for place in sorted(entries)]
    return {"resourceType": "Bundle", "type": "transaction-response", "entry": told}, stored.case_number


def _read_inside(client: FhirClient, asked: AskedRead) -> Resource:
    """The answer to a read inside a transaction, which fails whole when it cannot be given."""
    try:
        return entry_of(_asked(client, asked.url, asked.conditions), client.prefer, read=True)
    except Refused as error:
        place = f"Bundle.entry[{asked.place}]"
        raise Refused([Problem(p.category, p.message, p.path or place) for p in error.problems]) from None


def _asked(client: FhirClient, url: str, conditions: Mapping[str, str]) -> Reply:
    """The answer to a GET of an address below the base."""
    path, sign, query = url.partition("?")
    pairs = parse_qsl(query, keep_blank_values=True)
    match path.strip("/").split("/"):
        case [kind] if kind:
            return search_reply(client, kind, pairs, strict=False)
        case [kind, "_history"]:
            return type_history_reply(client, kind, pairs)
        case [kind, resource_id] if not sign:
            return read_reply(client, kind, resource_id, conditions)
        case [kind, resource_id, "_history"]:
            return history_reply(client, kind, resource_id, pairs)
        case [kind, resource_id, "_history", version] if not sign:
            return vread_reply(client, kind, resource_id, version, conditions)
    raise refuse(Category.NOT_FOUND, "There is nothing at this address.")


def _on_its_own(client: FhirClient, entry: Any, place: int) -> Resource:
    """The response entry to one entry of a batch, whatever becomes of it."""
    reads = False
    try:
        request = request_of(entry, f"Bundle.entry[{place}]")
        reads = request["method"] in READS
        return entry_of(_performed(client, entry, request, place), client.prefer, reads)
    except Refused as error:
        _note_refused(client, entry, error)
        return entry_of(refused(error), client.prefer)
    except Exception as error:
        told = {"request_id": client.request_id, "entry": place, "error": type(error).__name__}
        _log.error("entry of a batch failed", extra={"told": told})
        sentence = f"The service failed on this entry; the request is {client.request_id}. Nothing of it was stored."
        return entry_of(refused(refuse(Category.INTERNAL, sentence)), client.prefer)


def _note_refused(client: FhirClient, entry: Any, error: Refused) -> None:
    """What somebody may not do, or is not there for them, is told to the audit as it is when asked for alone."""
    if client.sender.is_limited and error.problems[0].category in (Category.NOT_FOUND, Category.FORBIDDEN):
        request = entry["request"]
        asked = f"{request['method']} {request['url']}"
        note(Seen("operation", "refused in a batch", query=asked, outcome=MINOR_FAILURE))


def _performed(client: FhirClient, entry: Any, request: dict[str, str], place: int) -> Reply:
    """One entry of a batch, done as the request it stands for."""
    method, url = request["method"], Addresses(client.base).below_base(request["url"]).strip("/")
    if method in READS:
        return _asked(client, url, conditions_of(request))
    match = request.get("ifMatch")
    kind, slash, resource_id = url.partition("/")
    if method == "DELETE" and slash:
        return delete_reply(client, kind, resource_id, match, place)
    if method not in ("POST", "PUT"):
        sentence = "Entries are taken with GET, HEAD, POST, PUT and DELETE of one resource."
        raise refuse(Category.NOT_ALLOWED, sentence, "request.method")
    resource = entry.get("resource")
    if not isinstance(resource, dict):
        raise refuse(Category.INVALID, "The entry needs a resource.", "resource")
    text = write(entry).encode()
    if method == "POST":
        return create_reply(client, url, resource, text, request.get("ifNoneExist"), place)
    if slash and "?" not in kind:
        return update_reply(client, kind, resource_id, resource, text, match, place)
    kind, _, query = url.partition("?")
    return conditional_update_reply(client, kind, query, resource, text, match, place)
