"""`$validate`: everything there is to say of a resource, without storing it.

https://hl7.org/fhir/R4/resource-operation-validate.html
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Refused, refuse
from service.fhir.build import Resource
from service.fhir.conformance.issue import ERROR, WARNING, Issue
from service.fhir.interactions import DELETABLE, why_not_deleted
from service.fhir.json_text import load, parse, write
from service.fhir.outcome import issue_of, outcome_of
from service.fhir.validate import all_issues
from service.inbound.fhir_resource import problems_to_write
from service.inbound.fhir_single import map_create, map_update
from service.pipeline.access.asking import note_versions
from service.web.audit import note_case
from service.web.exchange import body_of, seen_by_sender
from service.web.fhir_reply import FhirClient, client_of, fhir_response
from service.web.would_change import sentence_of

_MODES = ("create", "update", "profile", "delete")
_TEXTS = ("valueCode", "valueUri", "valueCanonical", "valueString")
_PARAMETERS = ("resource", "mode", "profile", "case")


@dataclass(slots=True)
class AskedValidation:
    """What is asked: the resource if one was sent, its mode, a profile it must keep to, the case it is meant for."""

    resource: Resource | None
    mode: str = ""
    profile: str | None = None
    case: str = ""


async def validate(request: Request, kind: str, resource_id: str | None = None) -> Response:
    """Every issue of a resource of type `kind`; of the one on record when none is sent to its own address."""
    text = await body_of(request)
    sent = await run_in_threadpool(parse, text) if text.strip() else {"resourceType": "Parameters"}
    asked = _asked(sent, request)
    if asked.mode not in ("", *_MODES):
        raise refuse(Category.INVALID, f"«{asked.mode[:20]}» is not one of {', '.join(_MODES)}.", "mode")
    if asked.mode == "delete":
        if kind not in DELETABLE:
            raise refuse(Category.BUSINESS_RULE, why_not_deleted(kind), "mode")
        return fhir_response(request, outcome_of([], "No problem was found."))
    held = asked.resource
    if held is None:
        if resource_id is None:
            raise refuse(Category.INVALID, "A resource is needed.", "resource")
        pipeline = seen_by_sender(request, "r", kind)
        there = await run_in_threadpool(pipeline.resource, kind, resource_id)
        note_versions("read", [there])
        held = load(there.body)
    if held.get("resourceType") != kind:
        raise refuse(Category.INVALID, f"Resources at this address are of type {kind}.", "resourceType")
    found = await run_in_threadpool(_issues, held, kind, resource_id, asked)
    if asked.case:
        client, match = client_of(request), request.headers.get("if-match")
        if not any(issue.severity == ERROR for issue in found):
            more, is_its_case = await run_in_threadpool(
                _issues_of_case, client, held, (kind, resource_id, match), asked
            )
            found += more
            if is_its_case:
                note_case(request, asked.case, "operation")
    return fhir_response(request, outcome_of(found, "No problem was found."))


def _issues(resource: Resource, kind: str, resource_id: str | None, asked: AskedValidation) -> list[Issue]:
    found = all_issues(resource, kind, asked.profile)
    if asked.mode in ("create", "update"):
        told = {(issue.expression, issue.message) for issue in found}
        problems, _ = problems_to_write(resource, kind)
        found += [issue_of(p) for p in problems if (p.path, p.message) not in told]
    if resource_id is not None and asked.mode != "create" and resource.get("id") != resource_id:
        sentence = f"The id in the body must be «{resource_id}» as in the address."
        found.append(Issue(ERROR, "invalid", f"{kind}.id", sentence))
    return found


def _issues_of_case(
    client: FhirClient, resource: Resource, where: tuple[str, str | None, str | None], asked: AskedValidation
) -> tuple[list[Issue], bool]:
    """What the case would say of the resource if it were sent now: why it is refused, or what it would change.

    Beside it whether the resource is about that case at all.
    """
    kind, resource_id, match = where
    try:
        if resource_id is not None and asked.mode != "create":
            match = match or f'W/"{client.seen("r", kind).resource(kind, resource_id).version}"'
            mapped = map_update(resource, kind, resource_id, match, client.base)
        else:
            mapped = map_create(resource, kind, None, client.base)
        received = client.received(write(resource).encode(), "create")
        found = client.pipeline.look_at(received, lambda _: mapped)
    except Refused as refused:
        return [issue_of(problem) for problem in refused.problems], False
    if found.answer.opened or found.answer.case_number != asked.case:
        sentence = "By its references the resource is not about the case that is named."
        return [Issue(ERROR, "business-rule", kind, sentence)], False
    warned = [Issue(WARNING, "business-rule", p.path, p.message) for o in found.answer.outcomes for p in o.warnings]
    notes = [Issue(WARNING, "business-rule", kind, note) for note in found.answer.notes]
    return [*warned, *notes, Issue("information", "informational", kind, sentence_of(found))], True


def _asked(body: Resource, request: Request) -> AskedValidation:
    """The operation's parameters, from a Parameters resource or from the body and the query."""
    query = request.query_params
    asked = AskedValidation(body, query.get("mode", ""), query.get("profile"), query.get("case", ""))
    if body.get("resourceType") != "Parameters":
        return asked
    asked.resource = None
    held = body.get("parameter", [])
    if not isinstance(held, list):
        raise refuse(Category.INVALID, "A list is needed.", "Parameters.parameter")
    for index, one in enumerate(held):
        _take(asked, one, f"Parameters.parameter[{index}]")
    return asked


def _take(asked: AskedValidation, one: Any, path: str) -> None:
    name = one.get("name") if isinstance(one, dict) else None
    if name not in _PARAMETERS:
        raise refuse(Category.INVALID, f"A parameter is one of {', '.join(_PARAMETERS)}.", f"{path}.name")
    if name == "resource":
        if not isinstance(one.get("resource"), dict):
            raise refuse(Category.INVALID, "A resource is needed.", f"{path}.resource")
        asked.resource = one["resource"]
        return
    text = next((one[key] for key in _TEXTS if isinstance(one.get(key), str)), None)
    if not text:
        raise refuse(Category.INVALID, "Text is needed.", f"{path}.value")
    setattr(asked, name, text)
