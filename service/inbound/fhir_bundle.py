"""Transaction Bundles as drafts: every entry checked, all problems in one answer.

https://hl7.org/fhir/R4/http.html#transaction. Nothing here depends on the order of the entries: the pipeline sees
them all at once, deletions first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import Draft, Resource
from service.fhir.check_in import with_derived
from service.fhir.json_text import write_canonical
from service.fhir.modifiers import bundle_issues
from service.inbound.bundle_links import Addresses
from service.inbound.fhir_resource import (
    check,
    condition_of,
    conditionally_updating,
    deletion,
    draft_of,
    not_theirs,
    updating,
    with_condition,
)
from service.inbound.plain import AskedRead, Mapped

MAX_ENTRIES = 500
READS = ("GET", "HEAD")
_CONDITIONS = {"ifNoneMatch": "if-none-match", "ifModifiedSince": "if-modified-since"}
_TEXTS = ("url", "ifNoneMatch", "ifModifiedSince", "ifMatch", "ifNoneExist")


def entries_of(bundle: Resource, kind: str) -> list[Any]:
    """The entries of a Bundle of a type, at least one. Refused when it is another or holds too many."""
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != kind:
        raise refuse(Category.INVALID, "A Bundle of type transaction or batch is needed here.", "Bundle.type")
    check([Problem(Category.INVALID, i.message, i.expression) for i in bundle_issues(bundle)])
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not entries:
        raise refuse(Category.INVALID, "The Bundle has no entries.", "Bundle.entry")
    if len(entries) > MAX_ENTRIES:
        raise refuse(Category.TOO_LARGE, f"A Bundle may hold {MAX_ENTRIES} entries.", "Bundle.entry")
    return entries


def request_of(entry: Any, path: str) -> dict[str, str]:
    """The request of an entry, its texts checked to be text."""
    request = entry.get("request") if isinstance(entry, dict) else None
    if not isinstance(request, dict):
        raise refuse(Category.INVALID, "An entry needs a request.", f"{path}.request")
    wrong = [name for name in _TEXTS if name in request and not isinstance(request[name], str)]
    check([Problem(Category.INVALID, "Text is needed.", f"{path}.request.{name}") for name in wrong])
    if not isinstance(request.get("method"), str):
        raise refuse(Category.INVALID, "A request needs a method.", f"{path}.request.method")
    if not request.get("url"):
        raise refuse(Category.INVALID, "A request needs a url.", f"{path}.request.url")
    full_url = entry.get("fullUrl")
    if full_url is not None and not isinstance(full_url, str):
        raise refuse(Category.INVALID, "Text is needed.", f"{path}.fullUrl")
    return request


def conditions_of(request: dict[str, str]) -> dict[str, str]:
    """The conditions of a read, as the headers they would be."""
    return {header: request[name] for name, header in _CONDITIONS.items() if name in request}


def map_bundle(bundle: Resource, base: str = "") -> Mapped:
    """A transaction Bundle sent to the server at `base`."""
    entries = entries_of(bundle, "transaction")
    addresses = Addresses(base)
    problems: list[Problem] = []
    own: list[tuple[Draft, str]] = []
    reads: list[AskedRead] = []
    for place, entry in enumerate(entries):
        path = f"Bundle.entry[{place}]"
        try:
            request = request_of(entry, path)
            if request["method"] in READS:
                url = addresses.below_base(request["url"]).lstrip("/")
                reads.append(AskedRead(place, url, conditions_of(request)))
                continue
            draft = _Entry(entry, request, path, place, addresses).draft()
            own.append((draft, entry.get("fullUrl") or ""))
            if not addresses.add(entry.get("fullUrl") or draft.local, draft.local):
                raise refuse(Category.INVALID, "Another entry has this address.", f"{path}.fullUrl")
        except Refused as refused:
            problems.extend(_of_an_entry(p) for p in refused.problems)
    for draft, full_url in own:
        if not draft.deletes:
            draft.resource = addresses.rewritten(draft.resource, full_url)
            addresses.link(draft)
    drafts = [one for draft, _ in own for one in with_derived(draft)]
    problems.extend(_twice(drafts))
    if problems:
        raise Refused(problems)
    return Mapped(drafts, agent="FHIR client", reads=reads)


def _of_an_entry(problem: Problem) -> Problem:
    """A method that is not taken of an entry is a fault of the Bundle, not of the address it was sent to."""
    return replace(problem, category=Category.NOT_SUPPORTED) if problem.category is Category.NOT_ALLOWED else problem


def _twice(drafts: list[Draft]) -> list[Problem]:
    """Entries that mean one resource: the same address or the same business identifier."""
    found: list[Problem] = []
    seen: dict[tuple[str, ...], str] = {}
    for draft in drafts:
        keys: dict[tuple[str, ...], str] = {(draft.local,): f"The address {draft.local}"}
        for identifier in (draft.identity, *draft.identifiers):
            if identifier:
                keys[draft.type, *identifier] = f"The {draft.type} {identifier[1][:64]}"
        if not (draft.identity or draft.target_id or draft.parent):
            keys[draft.type, write_canonical(draft.resource)] = f"The same {draft.type}"
        before = next((key for key in keys if key in seen), None)
        if before:
            sentence = f"{keys[before]} stands in the Bundle already, at {seen[before]}; send it once."
            found.append(Problem(Category.INVALID, sentence, draft.path))
        for key in keys:
            seen.setdefault(key, draft.path)
    return found


class _Entry:
    """One entry that writes."""

    def __init__(self, entry: Any, request: dict[str, str], path: str, place: int, addresses: Addresses) -> None:
        self._entry, self._request, self._path, self._place = entry, request, path, place
        self._url = addresses.below_base(request["url"]).strip("/")
        self._full_url: str | None = entry.get("fullUrl")

    def draft(self) -> Draft:
        """The entry as a draft."""
        makers: dict[str, Callable[[], Draft]] = {"POST": self._create, "PUT": self._put, "DELETE": self._delete}
        maker = makers.get(self._request["method"])
        if maker is None:
            sentence = "Entries are taken with GET, HEAD, POST, PUT and DELETE."
            raise refuse(Category.NOT_SUPPORTED, sentence, self._at("method"))
        return maker()

    def _create(self) -> Draft:
        resource, kind = self._resource()
        if self._url != kind:
            raise self._wrong_url(kind)
        draft = self._new(resource, kind)
        condition = self._request.get("ifNoneExist")
        if condition is None:
            return draft
        return with_condition(draft, condition_of(condition, "If-None-Exist", draft.path), updates=False)

    def _put(self) -> Draft:
        resource, kind = self._resource()
        at, match = f"{self._path}.resource", self._request.get("ifMatch")
        if self._url.startswith(f"{kind}?"):
            condition = condition_of(self._url, "A conditional update", self._at("url"))
            draft = self._new(resource, kind)
            return conditionally_updating(draft, resource.get("id"), condition, match, self._at("ifMatch"))
        own = resource.get("id")
        if not isinstance(own, str):
            raise refuse(Category.INVALID, "An update needs the id of the resource.", f"{at}.id")
        if self._url != f"{kind}/{own}":
            raise self._wrong_url(f"{kind}/{own}")
        draft = draft_of(resource, kind, f"{kind}/{own}", at, self._place, not_theirs(own, at))
        return updating(draft, own, match, self._at("ifMatch"))

    def _delete(self) -> Draft:
        kind, slash, own = self._url.partition("/")
        if not slash or "?" in self._url:
            sentence = "A deletion names one resource as Type/id; deleting by a search is not taken."
            raise refuse(Category.NOT_SUPPORTED, sentence, self._at("url"))
        return deletion(kind, own, self._request.get("ifMatch"), self._at("url"), self._at("ifMatch"), self._place)

    def _new(self, resource: Resource, kind: str) -> Draft:
        address = self._full_url or f"urn:entry:{self._path}"
        return draft_of(resource, kind, address, f"{self._path}.resource", self._place)

    def _resource(self) -> tuple[Resource, str]:
        resource = self._entry.get("resource")
        if not isinstance(resource, dict):
            raise refuse(Category.INVALID, "The entry needs a resource.", f"{self._path}.resource")
        kind = resource.get("resourceType")
        if not isinstance(kind, str):
            raise refuse(Category.INVALID, "«resourceType» is required.", f"{self._path}.resource.resourceType")
        return resource, kind

    def _wrong_url(self, expected: str) -> Refused:
        return refuse(Category.INVALID, f"The url must be «{expected}» for this resource.", self._at("url"))

    def _at(self, name: str) -> str:
        return f"{self._path}.request.{name}"
