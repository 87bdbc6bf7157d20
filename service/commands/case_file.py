"""A case from a file: plain messages in one JSON object, or a FHIR Bundle. No database is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from service.errors import Category, Problem, Refused, refuse
from service.fhir import build
from service.fhir.build import Draft, Resource, rewrite_references
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.facts.referral import TaskFact
from service.fhir.future import future_day_in, lies_in_the_future
from service.fhir.read_facts import read
from service.fhir.validate import TYPES, validate
from service.inbound import dental_office, physician, progress, red_flag_closures, sleep_lab, visits
from service.inbound.plain import Mapped
from service.rules.arrival import outside_scope, refusals
from service.rules.facts import CaseFacts
from service.rules.kinds import ReferralState
from service.rules.source import Source
from service.rules.thresholds import Thresholds

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


@dataclass(frozen=True, slots=True)
class _Read:
    """What a file tells: facts, where each stands in the file, and the patient's birth date."""

    facts: list[StoredFact]
    paths: dict[str, str]
    birth_date: str
    birth_path: str


def facts_of(body: dict[str, Any], thresholds: Thresholds, now: datetime | None = None) -> CaseFacts:
    """The facts of a case file, checked as a message is. Refused with every problem and its place in the file."""
    now = now or datetime.now(UTC)
    bundle = body.get("resourceType") == "Bundle"
    found = _bundle_facts(body, now) if bundle else _plain_facts(body, now)
    facts = assemble(found.facts)
    problems = [
        Problem(Category.BUSINESS_RULE, why, found.paths.get(source.reference, source.reference))
        for source, why, _ in refusals(facts, lambda source: True, thresholds)
    ]
    referral = facts.referral
    if referral and found.birth_date:
        born = date.fromisoformat(found.birth_date)
        why = outside_scope(born, referral.day, thresholds)
        problems += [Problem(Category.BUSINESS_RULE, why, found.birth_path)] if why else []
        facts = replace(facts, referral=replace(referral, birth_date=born))
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return facts


def _plain_facts(body: dict[str, Any], now: datetime) -> _Read:
    drafts: list[Draft] = []
    moves: list[tuple[date, ReferralState]] = []
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
                moves.append((date.fromisoformat(mapped.move.on[:10]), ReferralState(mapped.move.state)))
            for draft in mapped.drafts:
                draft.path = f"{where}.{draft.path}" if draft.path else where
                draft.date_path = f"{where}.{draft.date_path}" if draft.date_path else draft.path
            drafts.extend(mapped.drafts)
    found = _facts(drafts, now)
    if moves:
        task = TaskFact(state=moves[-1][1], moves=tuple(moves))
        found.facts.append(StoredFact(Source("Task/referral", 1), task))
    return found


def _at(where: str, work: Callable[[], Mapped]) -> Mapped:
    try:
        return work()
    except Refused as refused:
        moved = (Problem(p.category, p.message, f"{where}.{p.path}" if p.path else where) for p in refused.problems)
        raise Refused(moved) from None


def _key(draft: Draft) -> tuple[str, ...]:
    return (draft.type, *(draft.identity or (draft.local,)))


def _latest(drafts: Iterable[Draft]) -> dict[tuple[str, ...], Draft]:
    """Each entry once: of two posts of one entry the later revision counts, and a withdrawal most."""
    kept: dict[tuple[str, ...], Draft] = {}
    for draft in drafts:
        key = _key(draft)
        if key not in kept or draft.revision >= kept[key].revision:
            kept[key] = draft
    return kept


def _facts(drafts: list[Draft], now: datetime) -> _Read:
    """The facts of the entries that count; every address leads to the entry of its identity."""
    kept = _latest(drafts)
    places = {key: f"{draft.type}/{index}" for index, (key, draft) in enumerate(kept.items())}
    addresses = {d.local: places[_key(d)] for d in drafts}
    devices = [places[key] for key, draft in kept.items() if draft.type == "Device"]
    fixed = {build.CASE_APPLIANCE: devices[-1]} if devices else {}
    problems: list[Problem] = []
    found = _Read([], {places[key]: d.path for key, d in kept.items()}, *_birth_date(kept.values()))
    for key, draft in kept.items():
        resource = rewrite_references(draft.resource, {**addresses, **fixed})
        fact, wrong = read(resource, draft.path or draft.type)
        problems.extend(wrong)
        late = future_day_in(resource, fact, now.date(), now)
        if late:
            sentence = lies_in_the_future(late, now.date())
            problems.append(Problem(Category.BUSINESS_RULE, sentence, draft.date_path or draft.path))
        if fact is not None:
            found.facts.append(StoredFact(Source(places[key], 1), fact))
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return found


def _birth_date(drafts: Iterable[Draft]) -> tuple[str, str]:
    for draft in drafts:
        if draft.type == "Patient":
            return _to_the_day(draft.resource), draft.date_path or draft.path
    return "", ""


def _to_the_day(patient: Resource) -> str:
    """A birth date that is told to the day; empty otherwise."""
    text = str(patient.get("birthDate") or "")
    return text if len(text) == 10 else ""


def _bundle_facts(bundle: Resource, now: datetime) -> _Read:
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not entries:
        raise refuse(Category.INVALID, "The Bundle has no entries.", "Bundle.entry")
    problems: list[Problem] = []
    resources: list[tuple[str, str, str, Resource]] = []
    for index, entry in enumerate(entries):
        path = f"Bundle.entry[{index}].resource"
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict) or resource.get("resourceType") not in TYPES:
            problems.append(Problem(Category.INVALID, "A resource of a known type is needed.", path))
            continue
        problems.extend(validate(resource, path))
        own = f"{resource['resourceType']}/{resource.get('id', index)}"
        resources.append((str(entry.get("fullUrl") or own), own, path, resource))
    if problems:
        raise Refused(problems)
    addresses = {full_url: own for full_url, own, _, _ in resources}
    found = _Read([], {own: path for _, own, path, _ in resources}, *_born_in(resources))
    for _, own, path, resource in resources:
        fact, wrong = read(rewrite_references(resource, addresses), path)
        problems.extend(wrong)
        late = future_day_in(resource, fact, now.date(), now)
        problems += [Problem(Category.BUSINESS_RULE, lies_in_the_future(late, now.date()), path)] if late else []
        version = str(resource.get("meta", {}).get("versionId", "1"))
        if fact is not None:
            found.facts.append(StoredFact(Source(own, int(version) if version.isdigit() else 1), fact))
    if problems:
        raise Refused(list(dict.fromkeys(problems)))
    return found


def _born_in(resources: Iterable[tuple[str, str, str, Resource]]) -> tuple[str, str]:
    for _, _, path, resource in resources:
        if resource["resourceType"] == "Patient":
            return _to_the_day(resource), f"{path}.birthDate"
    return "", ""
