"""The FHIR base: https://hl7.org/fhir/R4/http.html. The CapabilityStatement is made from this table of routes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.build import Resource
from service.fhir.capability import capability_statement
from service.fhir.outcome import all_well, operation_outcome
from service.fhir.validate import TYPES
from service.inbound.fhir_bundle import map_bundle, map_create, map_update
from service.pipeline.answers import Answer, Outcome
from service.pipeline.pipeline import Received
from service.web import fhir_search, validation
from service.web.exchange import answer, body_of, day_asked, pipeline_of, sender_of, versioned_answer


@dataclass(frozen=True, slots=True)
class Interaction:
    """One routed interaction: its FHIR code, method, address below the base, handler."""

    code: str
    method: str
    path: str
    handler: Callable[..., Any]


def _known(kind: str) -> None:
    if kind not in TYPES:
        raise refuse(Category.NOT_FOUND, f"«{kind}» is not a resource type this service holds.")


def _received(request: Request, text: bytes, interaction: str) -> Received:
    number, sender = request.state.request_id, sender_of(request)
    return Received(f"fhir {interaction}", text, number, plain=False, interaction=interaction, sender=sender)


async def metadata(request: Request) -> Response:
    """What this server can do (https://hl7.org/fhir/R4/capabilitystatement.html)."""
    codes = {i.code for i in INTERACTIONS}
    return answer(capability_statement(codes, str(request.base_url) + "fhir"), fhir=True)


async def create(request: Request, kind: str) -> Response:
    """Create a resource; If-None-Exist and business identifiers make a repeat answer 200."""
    _known(kind)
    text = await body_of(request)
    condition = request.headers.get("if-none-exist")
    pipeline = pipeline_of(request)
    stored = await run_in_threadpool(
        pipeline.receive, _received(request, text, "create"), lambda body: map_create(body, kind, condition)
    )
    return _written(request, stored)


async def update(request: Request, kind: str, resource_id: str) -> Response:
    """Update a resource at the version named by If-Match."""
    _known(kind)
    text = await body_of(request)
    match = request.headers.get("if-match")
    pipeline = pipeline_of(request)
    stored = await run_in_threadpool(
        pipeline.receive,
        _received(request, text, "update"),
        lambda body: map_update(body, kind, resource_id, match),
    )
    return _written(request, stored)


def _written(request: Request, stored: Answer) -> Response:
    first = stored.outcomes[0]
    headers = {
        "Location": f"{request.base_url}fhir/{first.reference}/_history/{first.version}",
        "ETag": f'W/"{first.version}"',
    }
    if stored.case_number:
        headers["X-Case-Number"] = stored.case_number
    wants_outcome = "return=operationoutcome" in request.headers.get("prefer", "").lower().replace(" ", "")
    body = _told(first) if wants_outcome else first.body
    return answer(body, 201 if first.what == "created" else 200, headers, fhir=True)


def _told(item: Outcome) -> Resource:
    """What a sender should know of a resource that was taken (https://hl7.org/fhir/R4/http.html#ops)."""
    outcome = operation_outcome(item.warnings, "warning")
    if item.note or not item.warnings:
        outcome["issue"] += all_well(item.note or "No problem was found.")["issue"]
    return outcome


async def transaction(request: Request) -> Response:
    """A transaction Bundle: all of it or nothing (https://hl7.org/fhir/R4/http.html#transaction)."""
    text = await body_of(request)
    pipeline = pipeline_of(request)
    stored = await run_in_threadpool(pipeline.receive, _received(request, text, "transaction"), map_bundle)
    entries: list[Resource] = []
    for item in stored.outcomes:
        if item.derived:
            continue
        reply: Resource = {
            "status": "201 Created" if item.what == "created" else "200 OK",
            "location": f"{item.reference}/_history/{item.version}",
            "etag": f'W/"{item.version}"',
        }
        if item.note or item.warnings:
            reply["outcome"] = _told(item)
        entries.append({"response": reply})
    headers = {"X-Case-Number": stored.case_number} if stored.case_number else {}
    return answer(
        {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}, headers=headers, fhir=True
    )


async def read(request: Request, kind: str, resource_id: str) -> Response:
    """The current version of a resource, with ETag; 304 when the client has it."""
    _known(kind)
    held = await run_in_threadpool(pipeline_of(request).resource, kind, resource_id)
    return versioned_answer(request, held.body, held.version, held.last_updated)


async def vread(request: Request, kind: str, resource_id: str, version: str) -> Response:
    """One version of a resource."""
    _known(kind)
    if not (version.isascii() and version.isdigit()) or len(version) > 9:
        raise refuse(Category.NOT_FOUND, f"«{version[:20]}» is not a version.")
    held = await run_in_threadpool(pipeline_of(request).version, kind, resource_id, int(version))
    return versioned_answer(request, held.body, held.version, held.last_updated)


async def validate_type(request: Request, kind: str) -> Response:
    """Validate a resource without storing it; every problem with its FHIRPath expression."""
    _known(kind)
    return await validation.validate(request, kind)


async def validate_instance(request: Request, kind: str, resource_id: str) -> Response:
    """Validate what would be the next version of a resource, or the version on record."""
    _known(kind)
    return await validation.validate(request, kind, resource_id)


async def readiness(request: Request, case_number: str) -> Response:
    """$readiness: the readiness decision of a case as an Observation, as of today or of a day (asOf)."""
    pipeline = pipeline_of(request)
    as_of = day_asked(request, "asOf", pipeline.today())
    return answer(await run_in_threadpool(pipeline.readiness_observation, case_number, as_of), fhir=True)


INTERACTIONS = (
    Interaction("metadata", "GET", "/metadata", metadata),
    Interaction("transaction", "POST", "", transaction),
    Interaction("operation:readiness", "GET", "/CarePlan/{case_number}/$readiness", readiness),
    Interaction("operation:validate", "POST", "/{kind}/$validate", validate_type),
    Interaction("operation:validate", "POST", "/{kind}/{resource_id}/$validate", validate_instance),
    Interaction("create", "POST", "/{kind}", create),
    Interaction("search-type", "GET", "/{kind}", fhir_search.search),
    Interaction("search-type", "POST", "/{kind}/_search", fhir_search.search_by_post),
    Interaction("history-type", "GET", "/{kind}/_history", fhir_search.type_history),
    Interaction("operation:everything", "GET", "/Patient/{resource_id}/$everything", fhir_search.everything),
    Interaction("read", "GET", "/{kind}/{resource_id}", read),
    Interaction("update", "PUT", "/{kind}/{resource_id}", update),
    Interaction("history-instance", "GET", "/{kind}/{resource_id}/_history", fhir_search.history),
    Interaction("vread", "GET", "/{kind}/{resource_id}/_history/{version}", vread),
)
router = APIRouter(prefix="/fhir", tags=["FHIR R4"])
for interaction in INTERACTIONS:
    router.add_api_route(
        interaction.path,
        interaction.handler,
        methods=[interaction.method],
        response_class=Response,
        name=interaction.code,
    )
