"""FHIR resources and transaction Bundles from others, as drafts.

https://hl7.org/fhir/R4/http.html#create and #transaction. A resource with a business identifier is the
same resource whenever it comes again; one without is recognised by its content.
"""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import parse_qsl

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import SHARED, Draft, Resource
from service.fhir.check_in import with_derived
from service.fhir.codes import local_code_of
from service.fhir.engine import ENGINE_ID
from service.fhir.json_text import write_canonical
from service.fhir.validate import MADE_BY_THE_SERVICE, judged
from service.inbound.plain import Mapped

MAX_ENTRIES = 500
_ETAG = re.compile(r'(?:W/)?"([0-9]{1,9})"')
_DERIVED_ID = re.compile(
    rf"{ENGINE_ID}|AR-[0-9A-Z]{{5}}-[0-9A-Z]{{5}}-"
    r"(readiness|next-step|response|referral-check|us-coverage-documentation|follow-up|decision|test-proposal-.+)"
    r"|[0-9a-f-]{36}-(snoring|restedness|epworth|pauses|wear|weight)"
)
MAX_IDENTIFIER = 255
_DECIDED_HERE = frozenset(
    {
        "readiness-for-efficacy-test",
        "next-titration-step",
        "response-to-treatment",
        "referral-check",
        "us-coverage-documentation",
        "follow-up",
    }
)
_DATE_ELEMENTS = {
    "Observation": "effective",
    "DiagnosticReport": "effective",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "authoredOn",
    "DeviceUseStatement": "timing.start",
}


def etag_version(etag: object, path: str = "") -> int:
    """The version in an If-Match value such as `W/"3"`."""
    found = _ETAG.fullmatch(etag.strip()) if isinstance(etag, str) else None
    if not found:
        raise refuse(Category.INVALID, f'If-Match must look like W/"3", not {str(etag)[:40]}.', path)
    return int(found[1])


def map_create(resource: Resource, kind: str, if_none_exist: str | None) -> Mapped:
    """One resource to create."""
    _same_type(resource, kind)
    problems, warnings = problems_to_write(resource, kind)
    if problems:
        raise Refused(problems)
    draft = _draft(resource, kind, "urn:new:resource", if_none_exist, kind)
    draft.warnings = warnings
    return Mapped(with_derived(draft), agent="FHIR client")


def map_update(resource: Resource, kind: str, resource_id: str, if_match: str | None) -> Mapped:
    """One resource to update, at the version the client read."""
    _same_type(resource, kind)
    if resource.get("id") != resource_id:
        raise refuse(Category.INVALID, f"The id in the body must be «{resource_id}» as in the address.", f"{kind}.id")
    if if_match is None:
        raise refuse(Category.MISSING_PRECONDITION, "An update needs If-Match with the version that was read.")
    problems, warnings = problems_to_write(resource, kind)
    problems = [*_not_theirs(resource_id, kind), *problems]
    if problems:
        raise Refused(problems)
    draft = _draft(resource, kind, f"{kind}/{resource_id}", None, kind)
    draft.warnings = warnings
    draft.target_id, draft.if_match, draft.identity = resource_id, etag_version(if_match), None
    return Mapped(with_derived(draft), agent="FHIR client")


def map_bundle(bundle: Resource) -> Mapped:
    """A transaction Bundle: every entry checked, all problems in one answer."""
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
        raise refuse(Category.INVALID, "A Bundle of type transaction is needed here.", "Bundle.type")
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not entries:
        raise refuse(Category.INVALID, "The Bundle has no entries.", "Bundle.entry")
    if len(entries) > MAX_ENTRIES:
        raise refuse(Category.TOO_LARGE, f"A Bundle may hold {MAX_ENTRIES} entries.", "Bundle.entry")
    problems: list[Problem] = []
    drafts: list[Draft] = []
    for index, entry in enumerate(entries):
        path = f"Bundle.entry[{index}]"
        try:
            drafts.extend(with_derived(_entry(entry, path)))
        except Refused as refused:
            problems.extend(refused.problems)
    problems.extend(_twice(drafts))
    if problems:
        raise Refused(problems)
    return Mapped(drafts, agent="FHIR client")


def _twice(drafts: list[Draft]) -> list[Problem]:
    """Entries that mean one resource: the same address or the same business identifier."""
    found: list[Problem] = []
    seen: dict[tuple[str, ...], str] = {}
    for draft in drafts:
        keys: dict[tuple[str, ...], str] = {(draft.local,): f"The address {draft.local}"}
        if draft.identity:
            keys[draft.type, *draft.identity] = f"The {draft.type} {draft.identity[1][:64]}"
        elif not (draft.target_id or draft.parent):
            keys[draft.type, write_canonical(draft.resource)] = f"The same {draft.type}"
        for key, words in keys.items():
            if key in seen:
                sentence = f"{words} stands in the Bundle already, at {seen[key]}; send it once."
                found.append(Problem(Category.INVALID, sentence, draft.path))
            seen.setdefault(key, draft.path)
    return found


def _entry(entry: Any, path: str) -> Draft:
    request = entry.get("request") if isinstance(entry, dict) else None
    resource = entry.get("resource") if isinstance(entry, dict) else None
    if not isinstance(request, dict) or not isinstance(resource, dict):
        raise refuse(Category.INVALID, "An entry needs a request and a resource.", path)
    method, url = request.get("method"), str(request.get("url", ""))
    kind = resource.get("resourceType")
    if not isinstance(kind, str):
        raise refuse(Category.INVALID, "«resourceType» is required.", f"{path}.resource.resourceType")
    if method not in ("POST", "PUT"):
        raise refuse(Category.NOT_SUPPORTED, "Only POST and PUT entries are taken here.", f"{path}.request.method")
    if method == "PUT" and not isinstance(resource.get("id"), str):
        raise refuse(Category.INVALID, "An update needs the id of the resource.", f"{path}.resource.id")
    expected = kind if method == "POST" else f"{kind}/{resource['id']}"
    if url.strip("/") != expected:
        raise refuse(Category.INVALID, f"The url must be «{expected}» for this resource.", f"{path}.request.url")
    problems, warnings = problems_to_write(resource, f"{path}.resource")
    if method == "PUT":
        problems = [*_not_theirs(resource["id"], f"{path}.resource"), *problems]
    if problems:
        raise Refused(problems)
    if method == "PUT":
        match = request.get("ifMatch")
        if match is None:
            raise refuse(Category.MISSING_PRECONDITION, "An update needs ifMatch.", f"{path}.request.ifMatch")
        draft = _draft(resource, kind, f"{kind}/{resource['id']}", None, f"{path}.resource")
        draft.warnings = warnings
        draft.target_id, draft.if_match, draft.identity = (
            resource["id"],
            etag_version(match, f"{path}.request.ifMatch"),
            None,
        )
        return draft
    full_url = entry.get("fullUrl")
    if full_url is not None and not isinstance(full_url, str):
        raise refuse(Category.INVALID, "Text is needed.", f"{path}.fullUrl")
    address = full_url or f"urn:entry:{path}"
    condition = request.get("ifNoneExist")
    draft = _draft(resource, kind, address, None if condition is None else str(condition), f"{path}.resource")
    draft.warnings = warnings
    return draft


def _same_type(resource: Resource, kind: str) -> None:
    if resource.get("resourceType") != kind:
        raise refuse(Category.INVALID, f"Resources at this address are of type {kind}.", "resourceType")


def problems_to_write(resource: Resource, path: str) -> tuple[list[Problem], tuple[Problem, ...]]:
    """Validation, and what only the service itself may write: problems, and what the sender should know besides."""
    kind = resource.get("resourceType")
    if kind in MADE_BY_THE_SERVICE:
        return [Problem(Category.BUSINESS_RULE, f"{kind} is made by the service and cannot be written.", path)], ()
    if kind == "Observation" and local_code_of(resource.get("code")) in _DECIDED_HERE:
        sentence = "This Observation is a decision of the rules and cannot be written from outside."
        return [Problem(Category.BUSINESS_RULE, sentence, f"{path}.code")], ()
    problems, warnings = judged(resource, path)
    return [*problems, *_long_identifiers(resource, path)], warnings


def _not_theirs(resource_id: str, path: str) -> list[Problem]:
    """What the service derives is not updated from outside; its source is."""
    if not _DERIVED_ID.fullmatch(resource_id):
        return []
    sentence = f"{resource_id} is made by the service and follows from what was reported; correct that instead."
    return [Problem(Category.BUSINESS_RULE, sentence, path)]


def _long_identifiers(resource: Resource, path: str) -> list[Problem]:
    """Identifiers too long to be looked up by."""
    held = resource.get("identifier")
    many = isinstance(held, list)
    return [
        Problem(
            Category.INVALID,
            f"An identifier's {key} may have {MAX_IDENTIFIER} characters.",
            f"{path}.identifier{f'[{index}]' if many else ''}.{key}",
        )
        for index, item in enumerate(held if many else [held])
        if isinstance(item, dict)
        for key in ("system", "value")
        if isinstance(item.get(key), str) and len(item[key]) > MAX_IDENTIFIER
    ]


def _draft(resource: Resource, kind: str, address: str, if_none_exist: str | None, path: str) -> Draft:
    body = {k: v for k, v in resource.items() if k not in ("id", "meta")}
    if "meta" in resource:
        kept = {k: v for k, v in resource["meta"].items() if k not in ("versionId", "lastUpdated")}
        if kept:
            body["meta"] = kept
    element = _DATE_ELEMENTS.get(kind)
    return Draft(
        resource=body,
        local=address,
        path=path,
        date_path=f"{path}.{element}" if element else path,
        identity=_condition(if_none_exist, path) if if_none_exist else _identity(body),
        unlike_is_conflict=if_none_exist is None and kind not in SHARED,
    )


def _condition(if_none_exist: str, path: str) -> tuple[str, str]:
    """The identifier an If-None-Exist asks for; other conditions are not supported."""
    pairs = parse_qsl(if_none_exist.split("?")[-1])
    if len(pairs) == 1 and pairs[0][0] == "identifier" and pairs[0][1].count("|") == 1:
        system, value = pairs[0][1].split("|")
        if system and value and max(len(system), len(value)) <= MAX_IDENTIFIER:
            return system, value
    raise refuse(Category.NOT_SUPPORTED, "If-None-Exist takes identifier=system|value.", path)


def _identity(body: Resource) -> tuple[str, str] | None:
    """The first complete business identifier; None leaves the resource to be recognised by its content."""
    held = body.get("identifier")
    for item in held if isinstance(held, list) else [held]:
        if isinstance(item, dict) and isinstance(item.get("system"), str) and isinstance(item.get("value"), str):
            return item["system"], item["value"]
    return None
