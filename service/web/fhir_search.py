"""Search and history (https://hl7.org/fhir/R4/search.html and https://hl7.org/fhir/R4/http.html#history)."""

from __future__ import annotations

from urllib.parse import parse_qsl

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.build import Resource
from service.fhir.json_text import load, write
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import Caller, Reply, caller_of, known_type, response_of

_OF_THE_ANSWER = ("_format", "_pretty")


async def search(request: Request, kind: Kind) -> Response:
    """Search by identifier, or CarePlan by patient."""
    reply = await run_in_threadpool(search_reply, caller_of(request), kind, request.url.query)
    return response_of(request, reply)


async def history(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Every version of a resource, newest first."""
    reply = await run_in_threadpool(history_reply, caller_of(request), kind, resource_id)
    return response_of(request, reply)


def search_reply(caller: Caller, kind: str, query: str) -> Reply:
    """A searchset Bundle of what a query finds."""
    known_type(kind)
    asked = [pair for pair in parse_qsl(query, keep_blank_values=True) if pair[0] not in _OF_THE_ANSWER]
    name, value = asked[0] if len(asked) == 1 else ("", "")
    if name == "identifier":
        system, bar, number = value.rpartition("|")
        found = caller.pipeline.find(kind, system if bar else None, number)
    elif kind == "CarePlan" and name in ("patient", "subject"):
        found = caller.pipeline.care_plans_of(value if value.startswith("Patient/") else f"Patient/{value}")
    else:
        raise refuse(Category.NOT_SUPPORTED, "Search takes identifier=system|value, and CarePlan also patient=id.")
    entries = [
        {"fullUrl": f"{caller.base}/{v.type}/{v.id}", "resource": load(v.body), "search": {"mode": "match"}}
        for v in found
    ]
    bundle: Resource = {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(entries),
        "link": [{"relation": "self", "url": f"{caller.base}/{kind}?{query}"}],
    }
    return Reply(200, write(bundle | ({"entry": entries} if entries else {})))


def history_reply(caller: Caller, kind: str, resource_id: str) -> Reply:
    """A history Bundle of one resource; a deletion is an entry without a resource."""
    known_type(kind)
    entries: list[Resource] = []
    for held in caller.pipeline.history(kind, resource_id):
        first = held.version == 1
        entry: Resource = {"fullUrl": f"{caller.base}/{kind}/{resource_id}"}
        if held.deleted:
            method, status = "DELETE", "204"
        else:
            method, status = ("POST", "201") if first else ("PUT", "200")
            entry["resource"] = load(held.body)
        url = kind if method == "POST" else f"{kind}/{resource_id}"
        entry["request"] = {"method": method, "url": url}
        entry["response"] = {"status": status, "etag": f'W/"{held.version}"', "lastModified": held.last_updated}
        entries.append(entry)
    bundle = {"resourceType": "Bundle", "type": "history", "total": len(entries), "entry": entries}
    return Reply(200, write(bundle))
