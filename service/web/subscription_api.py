"""Subscriptions by FHIR: https://hl7.org/fhir/R4/subscription.html with the topics of R5.

https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/
"""

from __future__ import annotations

import re

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.build import Resource
from service.fhir.json_text import parse
from service.pipeline.subscriptions import Subscriptions
from service.web.audit import note_subscriptions
from service.web.exchange import answer, body_of, grant_of, needed
from service.web.hosts import base_of

router = APIRouter(prefix="/fhir/Subscription", tags=["Subscriptions"])
_MATCH = re.compile(r'(?:W/)?"([0-9]{1,9})"')
_SEARCHED = {"_id", "status", "url", "criteria"}
_NUMBER = re.compile(r"[0-9]{1,18}")


def _subscriptions(request: Request, letter: str) -> Subscriptions:
    """The subscriptions of the sender's organisation. 403 when no scope grants the interaction (one of `cruds`)."""
    grant = grant_of(request)
    needed(grant, letter, "Subscription")
    if letter in "cu":
        needed(grant, "r", "CarePlan")
    return request.app.state.subscriptions.of(grant)


def _base(request: Request) -> str:
    return base_of(request)


def _written(request: Request, resource: Resource, status: int) -> Response:
    version = resource["meta"]["versionId"]
    headers = {"ETag": f'W/"{version}"'}
    if status == 201:
        headers["Location"] = f"{_base(request)}/Subscription/{resource['id']}"
    return answer(resource, status, headers, fhir=True)


@router.post("", response_class=Response)
async def create(request: Request) -> Response:
    """Subscribe: the handshake follows, then a notice for each change of whose move it is."""
    text = await body_of(request)
    made = await run_in_threadpool(_subscriptions(request, "c").create, text, _base(request), request.state.request_id)
    return _written(request, made, 201)


@router.get("", response_class=Response)
async def search(request: Request) -> Response:
    """Subscriptions by _id, status, url and criteria."""
    query = request.query_params
    if not set(query) <= _SEARCHED or len(query) < len(query.multi_items()):
        raise refuse(Category.NOT_SUPPORTED, f"Search takes {', '.join(sorted(_SEARCHED))}, each once.")
    found = await run_in_threadpool(_subscriptions(request, "s").search, dict(query))
    note_subscriptions(request, "search-type")
    return answer(_searchset(request, [(f"Subscription/{r['id']}", r) for r in found]), fhir=True)


@router.get("/$status", response_class=Response)
async def statuses(request: Request) -> Response:
    """$status of several Subscriptions, by id and status, or of all."""
    query = request.query_params
    found = await run_in_threadpool(_subscriptions(request, "r").statuses, query.getlist("id"), query.getlist("status"))
    note_subscriptions(request, "operation")
    return answer(_searchset(request, [(f"Parameters/{r['id']}", r) for r in found]), fhir=True)


@router.post("/$status", response_class=Response)
async def statuses_by_post(request: Request) -> Response:
    """$status of several Subscriptions, asked by Parameters."""
    asked = await _parameters(request)
    ids = [str(p.get("valueId")) for p in asked if p.get("name") == "id"]
    states = [str(p.get("valueCode")) for p in asked if p.get("name") == "status"]
    found = await run_in_threadpool(_subscriptions(request, "r").statuses, ids, states)
    note_subscriptions(request, "operation")
    return answer(_searchset(request, [(f"Parameters/{r['id']}", r) for r in found]), fhir=True)


@router.get("/{subscription_id}", response_class=Response)
async def read(request: Request, subscription_id: str) -> Response:
    """A Subscription as it stands."""
    held = await run_in_threadpool(_subscriptions(request, "r").read, subscription_id)
    note_subscriptions(request, "read", subscription_id)
    return _written(request, held, 200)


@router.put("/{subscription_id}", response_class=Response)
async def update(request: Request, subscription_id: str) -> Response:
    """Change a Subscription at the version named by If-Match."""
    text = await body_of(request)
    match = request.headers.get("if-match")
    if match is None:
        raise refuse(Category.MISSING_PRECONDITION, "An update needs If-Match with the version that was read.")
    found = _MATCH.fullmatch(match.strip())
    if found is None:
        raise refuse(Category.INVALID, f'If-Match must look like W/"3", not {match[:20]}.')
    work = _subscriptions(request, "u").update
    changed = await run_in_threadpool(
        work, subscription_id, text, int(found[1]), _base(request), request.state.request_id
    )
    return _written(request, changed, 200)


@router.delete("/{subscription_id}", response_class=Response)
async def delete(request: Request, subscription_id: str) -> Response:
    """End a Subscription."""
    await run_in_threadpool(_subscriptions(request, "d").delete, subscription_id, request.state.request_id)
    return Response(status_code=204)


@router.post("/{subscription_id}/$status", response_class=Response, operation_id="subscription-status-by-post")
@router.get("/{subscription_id}/$status", response_class=Response)
async def status(request: Request, subscription_id: str) -> Response:
    """$status: where a Subscription stands, and how many events it has had."""
    found = await run_in_threadpool(_subscriptions(request, "r").status, subscription_id)
    note_subscriptions(request, "operation", subscription_id)
    return answer(_searchset(request, [(f"Parameters/{found['id']}", found)]), fhir=True)


@router.get("/{subscription_id}/$events", response_class=Response)
async def events(request: Request, subscription_id: str) -> Response:
    """$events: past events by their numbers, whether or not they were sent."""
    return await _events(request, subscription_id, dict(request.query_params))


@router.post("/{subscription_id}/$events", response_class=Response)
async def events_by_post(request: Request, subscription_id: str) -> Response:
    """$events, asked by Parameters."""
    asked = {str(p.get("name")): str(p.get("valueString", p.get("valueCode"))) for p in await _parameters(request)}
    return await _events(request, subscription_id, asked)


async def _events(request: Request, subscription_id: str, asked: dict[str, str]) -> Response:
    first = _number(asked, "eventsSinceNumber")
    last = _number(asked, "eventsUntilNumber")
    work = _subscriptions(request, "r").events
    found = await run_in_threadpool(work, subscription_id, first or 0, last, asked.get("content"))
    note_subscriptions(request, "operation", subscription_id)
    return answer(found, fhir=True)


def _number(asked: dict[str, str], name: str) -> int | None:
    text = asked.get(name)
    if text is None:
        return None
    if not _NUMBER.fullmatch(text):
        raise refuse(Category.INVALID, f"{name} is the number of an event.", name)
    return int(text)


async def _parameters(request: Request) -> list[Resource]:
    body = await run_in_threadpool(parse, await body_of(request))
    given = body.get("parameter", [])
    if body.get("resourceType") != "Parameters" or not isinstance(given, list):
        raise refuse(Category.INVALID, "The operation is asked by a Parameters resource.", "resourceType")
    return [p for p in given if isinstance(p, dict)]


def _searchset(request: Request, found: list[tuple[str, Resource]]) -> Resource:
    bundle: Resource = {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(found),
        "link": [{"relation": "self", "url": str(request.url)}],
    }
    entries = [
        {"fullUrl": f"{_base(request)}/{address}", "resource": r, "search": {"mode": "match"}} for address, r in found
    ]
    return bundle | ({"entry": entries} if entries else {})
