"""One FHIR resource of a client as a draft, checked; what clients may do with each type.

A resource with a business identifier is the same resource whenever it comes again; one without is recognised by its
content. Conditions are a search by identifier: https://hl7.org/fhir/R4/http.html#ccreate
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from urllib.parse import parse_qsl

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import SHARED, Condition, Draft, Resource
from service.fhir.codes import local_code_of
from service.fhir.engine import ENGINE_ID
from service.fhir.interactions import CLIENT_IDS, DELETABLE, why_not_deleted
from service.fhir.validate import MADE_BY_THE_SERVICE, judged

MAX_IDENTIFIER = 255
_ETAG = re.compile(r'(?:W/)?"([0-9]{1,9})"')
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_DERIVED_ID = re.compile(
    rf"{ENGINE_ID}|AR-[0-9A-Z]{{5}}-[0-9A-Z]{{5}}-"
    r"(readiness|next-step|response|referral-check|us-coverage-documentation|follow-up|decision|test-proposal-.+)"
    r"|[0-9a-f-]{36}-(snoring|restedness|epworth|pauses|wear|weight)"
)
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


def same_type(resource: Resource, kind: str) -> None:
    """Refused when a resource is of another type than its address."""
    if resource.get("resourceType") != kind:
        raise refuse(Category.INVALID, f"Resources at this address are of type {kind}.", "resourceType")


def condition_of(query: str, name: str, path: str) -> Condition:
    """What a conditional interaction asks for; `name` is what the client calls it. Refused when it asks for nothing.

    A search by anything but one identifier is understood where it is made (`service/pipeline/conditions.py`).
    """
    pairs = parse_qsl(query.split("?")[-1], keep_blank_values=True)
    if len(pairs) == 1 and pairs[0][0] == "identifier" and pairs[0][1].count("|") <= 1:
        system, bar, value = pairs[0][1].rpartition("|")
        if value and (system or not bar) and max(len(system), len(value)) <= MAX_IDENTIFIER:
            return Condition(system if bar else None, value)
    if not pairs or (any(name == "identifier" for name, _ in pairs[:1]) and len(pairs) == 1):
        raise refuse(Category.NOT_SUPPORTED, f"{name} takes identifier=system|value, or another search.", path)
    return Condition(None, "", tuple(pairs))


def draft_of(
    resource: Resource, kind: str, address: str, path: str, place: int = 0, besides: Sequence[Problem] = ()
) -> Draft:
    """A draft that creates a resource under the address others refer to it by.

    Refused with everything that is wrong with the resource, and with the problems `besides`.
    """
    problems, warnings = problems_to_write(resource, path)
    check([*besides, *problems])
    body = {k: v for k, v in resource.items() if k not in ("id", "meta")}
    if "meta" in resource:
        kept = {k: v for k, v in resource["meta"].items() if k not in ("versionId", "lastUpdated")}
        if kept:
            body["meta"] = kept
    element = _DATE_ELEMENTS.get(kind)
    carried = _identifiers(body)
    return Draft(
        resource=body,
        local=address,
        path=path,
        date_path=f"{path}.{element}" if element else path,
        field_paths=_field_paths(path) if kind == "Observation" else {},
        identity=carried[0] if carried else None,
        identifiers=carried,
        unlike_is_conflict=kind not in SHARED,
        place=place,
        warnings=warnings,
    )


def _field_paths(path: str) -> dict[str, str]:
    """Where a refusal of an Observation is reported, by what it is about."""
    parts = dict.fromkeys(("setting", "range", "office", "action"), f"{path}.component")
    return {**parts, "kind": f"{path}.value"}


def with_condition(draft: Draft, condition: Condition, updates: bool) -> Draft:
    """A draft that is looked for first. An identifier it is looked for by it must carry itself.

    Otherwise a repeat of the request would not find what the first one made.
    """
    if condition.pairs:
        draft.condition, draft.updates = condition, updates
        draft.identity = None if updates else draft.identity
        return draft
    own = next((one for one in draft.identifiers if condition.meets(one)), None)
    if own is None:
        sentence = f"The resource must carry the identifier that is asked for, {condition.value[:64]}, with its system."
        raise refuse(Category.INVALID, sentence, f"{draft.path}.identifier")
    draft.condition, draft.updates, draft.identity = condition, updates, own
    draft.unlike_is_conflict = False
    return draft


def updating(draft: Draft, resource_id: str, if_match: object | None, where: str) -> Draft:
    """A draft that updates the resource of an id, or creates it where clients may name ids."""
    _check_id(resource_id, draft.path)
    draft.target_id, draft.identity = resource_id, None
    draft.may_create = draft.type in CLIENT_IDS
    draft.if_match = None if if_match is None else etag_version(if_match, where)
    return draft


def conditionally_updating(
    draft: Draft, asked_id: object, condition: Condition, if_match: object | None, where: str
) -> Draft:
    """A draft that updates the resource with an identifier, and creates it when there is none.

    https://hl7.org/fhir/R4/http.html#cond-update
    """
    with_condition(draft, condition, updates=True)
    if isinstance(asked_id, str):
        check(not_theirs(asked_id, draft.path))
        draft.asked_id = asked_id
    draft.may_create = draft.type in CLIENT_IDS
    draft.if_match = None if if_match is None else etag_version(if_match, where)
    return draft


def deletion(kind: str, resource_id: str, if_match: object | None, path: str, where: str, place: int = 0) -> Draft:
    """A draft that deletes a resource. Refused for types of which clients delete nothing."""
    if kind not in DELETABLE:
        raise refuse(Category.NOT_ALLOWED, why_not_deleted(kind), path)
    _check_id(resource_id, path)
    version = None if if_match is None else etag_version(if_match, where)
    return Draft(
        resource={"resourceType": kind},
        local=f"{kind}/{resource_id}",
        path=path,
        target_id=resource_id,
        if_match=version,
        deletes=True,
        place=place,
    )


def _check_id(resource_id: str, path: str) -> None:
    if not _ID.fullmatch(resource_id):
        sentence = "An id has 1 to 64 letters, digits, hyphens and dots."
        raise refuse(Category.INVALID, sentence, f"{path}.id")


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


def check(problems: Sequence[Problem]) -> None:
    """Refused with all problems, if there are any."""
    if problems:
        raise Refused(problems)


def not_theirs(resource_id: str, path: str) -> list[Problem]:
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


def _identifiers(body: Resource) -> tuple[tuple[str, str], ...]:
    """The complete business identifiers in use; a resource without one is recognised by its content.

    An old one identifies nobody (the modifier Identifier.use).
    """
    held = body.get("identifier")
    found = {
        (item["system"], item["value"]): None
        for item in (held if isinstance(held, list) else [held])
        if isinstance(item, dict) and isinstance(item.get("system"), str) and isinstance(item.get("value"), str)
        if item.get("use") != "old"
    }
    return tuple(found)
