"""Search (https://hl7.org/fhir/R4/http.html#search), type and instance history, and Patient/$everything."""

from __future__ import annotations

from urllib.parse import parse_qsl, urlencode

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Problem, refuse
from service.fhir.elements import part_of
from service.fhir.json_text import load, write
from service.fhir.outcome import operation_outcome
from service.fhir.search_conditions import Ids, Key, Pairs, Search, Where
from service.fhir.search_query import search_of
from service.fhir.validate import TYPES
from service.pipeline.access.asking import note_versions
from service.pipeline.searching import Page
from service.rows import Stored
from service.web.audit import asked_of
from service.web.exchange import body_of, seen_by_sender
from service.web.fhir_pages import AskedPage, bundle_text, entry_text, history_entry, links_of
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import FhirClient, Reply, client_of, fhir_response, known_type, response_of
from service.web.hosts import base_of
from service.web.media import parts_of

_FORM = "application/x-www-form-urlencoded"


async def search(request: Request, kind: Kind) -> Response:
    """Search a type by the parameters of the address."""
    return await _answer(request, kind, request.query_params.multi_items())


async def search_by_post(request: Request, kind: Kind) -> Response:
    """Search a type by the parameters of a form, and of the address besides."""
    known_type(kind)
    text = await body_of(request, _form_fault)
    try:
        form = parse_qsl(text.decode("utf-8"), keep_blank_values=True, max_num_fields=200)
    except ValueError:
        raise refuse(Category.NOT_PARSEABLE, "The body is not a form of UTF-8 text.") from None
    return await _answer(request, kind, [*request.query_params.multi_items(), *form])


def _form_fault(header: str) -> str:
    media, _ = parts_of(header)
    return "" if media == _FORM else f"The body must be {_FORM}, not «{media}»."


async def _answer(request: Request, kind: str, pairs: Pairs) -> Response:
    preferences = {p.strip().lower() for p in request.headers.get("prefer", "").replace(";", ",").split(",")}
    strict = "handling=strict" in preferences
    return response_of(request, await run_in_threadpool(search_reply, client_of(request), kind, pairs, strict))


def search_reply(client: FhirClient, kind: str, pairs: Pairs, strict: bool) -> Reply:
    """A page of what a search finds; `strict` refuses parameters that are not known."""
    known_type(kind)
    asked = search_of(kind, pairs, client.base, client.pipeline.now(), strict)
    emergency = client.sender.grant.emergency
    one_record = emergency is not None and _is_about(asked, emergency.patient)
    page = client.seen("s", kind, one_record).search(asked)
    note_versions("search-type", [*page.matches, *page.included], f"{kind}?{urlencode(pairs)}")
    return Reply(200, _searchset(client.base, asked, page))


def _is_about(asked: Search, patient: str) -> bool:
    """Whether a search names one patient (`Patient/id`) as a criterion that every match must meet."""
    kind, _, patient_id = patient.partition("/")
    for one in asked.conditions:
        if isinstance(one, Ids) and asked.type == kind and one.ids == (patient_id,):
            return True
        if isinstance(one, Where) and one.param in ("patient", "subject") and one.tests == (Key(patient_id, kind),):
            return not one.negated
    return False


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


async def history(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Every version of a resource, newest first, in pages."""
    pairs = request.query_params.multi_items()
    return response_of(request, await run_in_threadpool(history_reply, client_of(request), kind, resource_id, pairs))


async def type_history(request: Request, kind: Kind) -> Response:
    """Every version of all resources of a type, newest first, in pages."""
    pairs = request.query_params.multi_items()
    return response_of(request, await run_in_threadpool(type_history_reply, client_of(request), kind, pairs))


def history_reply(client: FhirClient, kind: str, resource_id: str, pairs: Pairs) -> Reply:
    """A page of the versions of a resource."""
    known_type(kind)
    asked = AskedPage(pairs, ("_since", "_count"))
    page = client.seen("r", kind).history(kind, resource_id, asked.since, asked.token, asked.count)
    note_versions("history-instance", page.matches, about=(f"{kind}/{resource_id}",))
    return _history(client.base, f"{kind}/{resource_id}", asked, page)


def type_history_reply(client: FhirClient, kind: str, pairs: Pairs) -> Reply:
    """A page of the versions of all resources of a type."""
    known_type(kind)
    asked = AskedPage(pairs, ("_since", "_count"))
    page = client.seen("r", kind, one_record=False).type_history(kind, asked.since, asked.token, asked.count)
    note_versions("history-type", page.matches, f"{kind}/_history?{urlencode(pairs)}")
    return _history(client.base, kind, asked, page)


def _history(base: str, place: str, asked: AskedPage, page: Page) -> Reply:
    links = links_of(f"{base}/{place}/_history", asked.pairs, page.following)
    entries = [history_entry(base, held) for held in page.matches]
    return Reply(200, bundle_text("history", links, entries, page.total))


async def everything(request: Request, resource_id: Id) -> Response:
    """$everything of a patient (https://hl7.org/fhir/R4/patient-operation-everything.html), in pages."""
    asked = AskedPage(request.query_params.multi_items(), ("_since", "_count", "_type"))
    kinds = list(dict.fromkeys(asked.types.split(","))) if asked.types else list(TYPES)
    for kind in kinds:
        if kind not in TYPES:
            raise refuse(Category.BAD_QUERY, f"_type: «{kind[:40]}» is not a type this service holds.", "_type")
    record = seen_by_sender(request, "r", "Patient").everything
    page = await run_in_threadpool(record, resource_id, kinds, asked.since, asked.token, asked.count)
    note_versions("operation", page.matches, asked_of(request), (f"Patient/{resource_id}",))
    base = base_of(request)
    links = links_of(f"{base}/Patient/{resource_id}/$everything", asked.pairs, page.following)
    return fhir_response(
        request, bundle_text("searchset", links, [_entry(base, held, (), "match") for held in page.matches])
    )
