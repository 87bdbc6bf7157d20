"""A case from a file: plain messages in one JSON object, or a FHIR Bundle. No database is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.errors import Category, Problem, Refused, refuse
from service.fhir import build
from service.fhir.build import Draft, Resource, rewrite_references
from service.fhir.read_facts import StoredFact, assemble, read
from service.fhir.validate import TYPES, validate
from service.inbound import dental_office, physician, progress, red_flag_closures, sleep_lab, visits
from service.inbound.plain import Mapped
from service.rules.facts import CaseFacts
from service.rules.source import Source

_NUMBER = "CASE-IN-FILE"
_PARTS: dict[str, Callable[[dict[str, Any]], Mapped]] = {
    "referral": sleep_lab.map_referral,
    "referral_state": dental_office.map_state,
    "assessment": lambda body: dental_office.map_assessment(body, _NUMBER),
    "appliance": lambda body: dental_office.map_appliance(body, _NUMBER),
    "progress": lambda body: progress.map_progress(body, _NUMBER),
    "sleep_test": sleep_lab.map_result,
    "visit": lambda body: visits.map_visit(body, _NUMBER),
    "red_flag_closure": lambda body: red_flag_closures.map_red_flag_closure(body, _NUMBER),
    "test_order": lambda body: physician.map_test_order(body, _NUMBER),
    "decision": lambda body: physician.map_physician_decision(body, _NUMBER),
}


def facts_of(body: dict[str, Any]) -> CaseFacts:
    """The facts of a case file. Refused with every problem and its place in the file."""
    if body.get("resourceType") == "Bundle":
        return assemble(_bundle_facts(body))
    return assemble(_plain_facts(body))


def _plain_facts(body: dict[str, Any]) -> list[StoredFact]:
    drafts: list[Draft] = []
    moves: list[list[str]] = []
    for key, held in body.items():
        if key not in _PARTS:
            raise refuse(Category.INVALID, f"A case file has no part «{key}»; it has {', '.join(_PARTS)}.", key)
        many = isinstance(held, list)
        for index, part in enumerate(held if many else [held]):
            where = f"{key}[{index}]" if many else key
            if not isinstance(part, dict):
                raise refuse(Category.INVALID, "An object is needed.", where)
            mapped = _at(where, lambda part=part, key=key: _PARTS[key](part))
            if mapped.move:
                moves.append([mapped.move.on[:10], mapped.move.state])
            drafts.extend(mapped.drafts)
    found = list(_facts(_latest(drafts)))
    if moves:
        state = moves[-1][1]
        found.append(StoredFact(Source("Task/referral", 1), {"kind": "task", "state": state, "moves": moves}))
    return found


def _at(where: str, work: Callable[[], Mapped]) -> Mapped:
    try:
        return work()
    except Refused as refused:
        moved = (Problem(p.category, p.message, f"{where}.{p.path}" if p.path else where) for p in refused.problems)
        raise Refused(moved) from None


def _latest(drafts: Iterable[Draft]) -> list[Draft]:
    """Each entry once: of two posts of one entry the later revision counts, and a withdrawal most."""
    kept: dict[tuple[str, ...], Draft] = {}
    for draft in drafts:
        key = (draft.type, *(draft.identity or (draft.local,)))
        if key not in kept or draft.revision >= kept[key].revision:
            kept[key] = draft
    return list(kept.values())


def _facts(drafts: list[Draft]) -> Iterable[StoredFact]:
    addresses = {d.local: f"{d.type}/{index}" for index, d in enumerate(drafts)}
    devices = [addresses[d.local] for d in drafts if d.type == "Device"]
    fixed = {build.CASE_APPLIANCE: devices[-1]} if devices else {}
    problems: list[Problem] = []
    for draft in drafts:
        small, wrong = read(rewrite_references(draft.resource, {**addresses, **fixed}), draft.path or draft.type)
        problems.extend(wrong)
        if small is not None:
            yield StoredFact(Source(addresses[draft.local], 1), small)
    if problems:
        raise Refused(problems)


def _bundle_facts(bundle: Resource) -> list[StoredFact]:
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not entries:
        raise refuse(Category.INVALID, "The Bundle has no entries.", "Bundle.entry")
    problems: list[Problem] = []
    resources: list[tuple[str, str, Resource]] = []
    for index, entry in enumerate(entries):
        path = f"Bundle.entry[{index}].resource"
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict) or resource.get("resourceType") not in TYPES:
            problems.append(Problem(Category.INVALID, "A resource of a known type is needed.", path))
            continue
        problems.extend(validate(resource, path))
        own = f"{resource['resourceType']}/{resource.get('id', index)}"
        resources.append((str(entry.get("fullUrl") or own), own, resource))
    if problems:
        raise Refused(problems)
    addresses = {full_url: own for full_url, own, _ in resources}
    found: list[StoredFact] = []
    for _, own, resource in resources:
        small, _ = read(rewrite_references(resource, addresses), own)
        version = str(resource.get("meta", {}).get("versionId", "1"))
        if small is not None:
            found.append(StoredFact(Source(own, int(version) if version.isdigit() else 1), small))
    return found
