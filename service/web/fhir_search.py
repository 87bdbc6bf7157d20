"""Search (https://hl7.org/fhir/R4/http.html#search), type and instance history, and Patient/$everything."""

from __future__ import annotations

from urllib.parse import parse_qsl

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Problem, refuse
from service.fhir.elements import part_of
from service.fhir.json_text import load, write
from service.fhir.outcome import operation_outcome
from service.fhir.search_conditions import Pairs, Search
from service.fhir.search_query import search_of
from service.fhir.validate import TYPES
from service.pipeline.searching import Page, Stored
from service.web.exchange import answer, body_of, pipeline_of
from service.web.fhir_pages import Asked, base_of, bundle_text, entry_text, history_entry, links_of

_FORM = "application/x-www-form-urlencoded"


def _known(kind: str) -> None:
    if kind not in TYPES:
        raise refuse(Category.NOT_FOUND, f"«{kind}» is not a resource type this service holds.")


async def search(request: Request, kind: str) -> Response:
    """Search a type by the parameters of the address."""
    _known(kind)
    return await _answer(request, kind, request.query_params.multi_items())


async def search_by_post(request: Request, kind: str) -> Response:
    """Search a type by the parameters of a form, and of the address besides."""
    _known(kind)
    text = await body_of(request, (_FORM,))
    try:
        form = parse_qsl(text.decode("utf-8"), keep_blank_values=True, max_num_fields=200)
    except ValueError:
        raise refuse(Category.NOT_PARSEABLE, "The body is not a form of UTF-8 text.") from None
    return await _answer(request, kind, [*request.query_params.multi_items(), *form])


async def _answer(request: Request, kind: str, pairs: Pairs) -> Response:
    base, pipeline = base_of(request), pipeline_of(request)
    preferences = {p.strip().lower() for p in request.headers.get("prefer", "").replace(";", ",").split(",")}
    asked = search_of(kind, pairs, base, pipeline.now(), "handling=strict" in preferences)
    page = await run_in_threadpool(pipeline.search, asked)
    return answer(_searchset(base, asked, page), fhir=True)


def _searchset(base: str, asked: Search, page: Page) -> str:
    entries = [_entry(base, held, asked.elements, "match") for held in page.matches]
    entries += [_entry(base, held, asked.elements, "include") for held in page.included]
    if asked.ignored:
        sentences = [f"{asked.type} is not searched by «{name}»; it was ignored." for name in asked.ignored]
        outcome = operation_outcome((Problem(Category.NOT_SUPPORTED, s) for s in sentences), "warning")
        entries.append(f'{{"resource": {write(outcome)}, "search": {{"mode": "outcome"}}}}')
    links = links_of(f"{base}/{asked.type}", asked.understood, page.following)
    return bundle_text("searchset", links, entries, page.total)


def _entry(base: str, held: Stored, elements: tuple[str, ...], mode: str) -> str:
    body = write(part_of(load(held.body), elements)) if elements else held.body
    return entry_text(f"{base}/{held.type}/{held.id}", body, f'"search": {{"mode": "{mode}"}}')


async def history(request: Request, kind: str, resource_id: str) -> Response:
    """Every version of a resource, newest first, in pages."""
    _known(kind)
    asked = Asked(request.query_params.multi_items(), ("_since", "_count"))
    page = await run_in_threadpool(
        pipeline_of(request).history, kind, resource_id, asked.since, asked.token, asked.count
    )
    return _history(request, f"{kind}/{resource_id}", asked, page)


async def type_history(request: Request, kind: str) -> Response:
    """Every version of all resources of a type, newest first, in pages."""
    _known(kind)
    asked = Asked(request.query_params.multi_items(), ("_since", "_count"))
    page = await run_in_threadpool(pipeline_of(request).type_history, kind, asked.since, asked.token, asked.count)
    return _history(request, kind, asked, page)


def _history(request: Request, place: str, asked: Asked, page: Page) -> Response:
    base = base_of(request)
    links = links_of(f"{base}/{place}/_history", asked.pairs, page.following)
    entries = [history_entry(base, held) for held in page.matches]
    return answer(bundle_text("history", links, entries, page.total), fhir=True)


async def everything(request: Request, resource_id: str) -> Response:
    """$everything of a patient (https://hl7.org/fhir/R4/patient-operation-everything.html), in pages."""
    asked = Asked(request.query_params.multi_items(), ("_since", "_count", "_type"))
    kinds = list(dict.fromkeys(asked.types.split(","))) if asked.types else list(TYPES)
    for kind in kinds:
        if kind not in TYPES:
            raise refuse(Category.BAD_QUERY, f"_type: «{kind[:40]}» is not a type this service holds.", "_type")
    page = await run_in_threadpool(
        pipeline_of(request).everything, resource_id, kinds, asked.since, asked.token, asked.count
    )
    base = base_of(request)
    links = links_of(f"{base}/Patient/{resource_id}/$everything", asked.pairs, page.following)
    return answer(
        bundle_text("searchset", links, [_entry(base, held, (), "match") for held in page.matches]), fhir=True
    )
