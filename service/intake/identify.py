"""Which resources the drafts of a message are: new ones, repeats, corrections, late earlier revisions."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from service.deciding.snapshot import Snapshot
from service.deciding.versions import same_content
from service.errors import Category, Problem, Refused
from service.fhir.build import Draft, references_in, rewrite_references, sid
from service.fhir.json_text import write_canonical
from service.fhir.links import with_links
from service.intake import numbers_of_others
from service.intake.identified import Identified, Known
from service.intake.placing import DERIVED_SUFFIXES, Beside, follows, is_late, placed, withdrawn_with_parent
from service.rows import Key, Number, Stored


def look_up(snapshot: Snapshot, drafts: Sequence[Draft]) -> Known:
    """The ids that identities and addresses of the drafts already lead to."""
    identities = numbers_of_others.meant(snapshot, drafts)
    gone = {(d.type, d.target_id) for d in drafts if d.deletes}
    identities = {key: found for key, found in identities.items() if (key[0], found[0]) not in gone}
    ids: dict[str, str] = {}
    for draft in drafts:
        if draft.target_id or draft.found:
            ids[draft.local] = draft.target_id or draft.found or ""
        elif draft.identity and (draft.type, *draft.identity) in identities:
            ids[draft.local] = identities[(draft.type, *draft.identity)][0]
    return Known(identities, ids)


@dataclass(frozen=True, slots=True)
class Addresses:
    """What addresses of a case stand for, and where the ids of new resources come from."""

    of_case: Mapping[str, str]
    new_id: Callable[[], str]


def identify(snapshot: Snapshot, drafts: Sequence[Draft], known: Known, given: Addresses) -> list[Identified]:
    """Every draft with its place in the store. Refused with every draft that cannot have one."""
    ids = dict(known.ids)
    drafts = [d for d in drafts if not d.withdraws or d.local in known.ids]
    for draft in drafts:
        if draft.identity and draft.local not in ids:
            ids[draft.local] = given.new_id()
    drafts, known, ids = _by_content(snapshot, drafts, known, ids, given)
    for draft in drafts:
        if draft.parent:
            ids[draft.local] = f"{ids[draft.parent[0]]}-{draft.parent[1]}"
    addresses = {**given.of_case, **{d.local: f"{d.type}/{ids[d.local]}" for d in drafts}}
    stored = snapshot.current_of(_existing(drafts, known, ids))
    versions = _versions(drafts, ids, addresses, stored)
    problems = _overlaps(drafts, ids)
    found: dict[str, Identified] = {}
    for draft in sorted(drafts, key=lambda d: bool(d.goes_with)):
        key = (draft.type, ids[draft.local])
        if draft.parent and not follows(draft, key, found, stored):
            continue
        if draft.goes_with and key not in stored and is_late(found.get(draft.goes_with), known):
            continue
        resource = rewrite_references(draft.resource, addresses, versions)
        if draft.links_to:
            resource = with_links(resource, _to_addresses(draft.links_to, addresses))
        try:
            found[draft.local] = placed(draft, ids[draft.local], resource, Beside(known, stored, found))
        except Refused as refused:
            problems.extend(refused.problems)
    if problems:
        raise Refused(problems)
    return [*found.values(), *withdrawn_with_parent(found, stored)]


def _versions(
    drafts: Sequence[Draft], ids: dict[str, str], addresses: dict[str, str], stored: Mapping[Key, Stored]
) -> dict[str, int]:
    """The versions that drafts will be at; those that name their resource by its id keep the versions referred to."""
    found: dict[str, int] = {}
    for draft in drafts:
        if draft.local == addresses[draft.local]:
            continue
        before = stored.get((draft.type, ids[draft.local]))
        changes = (
            before and draft.updates and not same_content(before.body, rewrite_references(draft.resource, addresses))
        )
        found[draft.local] = before.version + bool(changes) if before else 1
    return found


def _overlaps(drafts: Sequence[Draft], ids: dict[str, str]) -> list[Problem]:
    """Drafts that turn out to be one resource (https://hl7.org/fhir/R4/http.html#trules)."""
    if not any(d.target_id or d.found for d in drafts):
        return []
    problems: list[Problem] = []
    seen: dict[tuple[str, str], str] = {}
    for draft in drafts:
        key = (draft.type, ids[draft.local])
        if key in seen:
            sentence = f"{'/'.join(key)} stands in the message already, at {seen[key]}; send it once."
            problems.append(Problem(Category.INVALID, sentence, draft.path))
        seen.setdefault(key, draft.path)
    return problems


def _to_addresses(base: str, addresses: dict[str, str]) -> Callable[[str], str]:
    def change(link: str) -> str:
        plain, sign, fragment = link.partition("#")
        return f"{base}/{addresses[plain]}{sign}{fragment}" if plain in addresses else link

    return change


def _by_content(
    snapshot: Snapshot, drafts: Sequence[Draft], known: Known, ids: dict[str, str], given: Addresses
) -> tuple[list[Draft], Known, dict[str, str]]:
    """Identities and ids for drafts without a business identifier: equal content is the same resource.

    References to other such drafts are settled first; a circle of them gets new ids.
    """
    identified, ids = {d.local: d for d in drafts}, dict(ids)
    identities, led_to = dict(known.identities), dict(known.ids)
    waiting = [d for d in drafts if d.local not in ids and not d.parent]
    while waiting:
        addresses = {**given.of_case, **{d.local: f"{d.type}/{ids[d.local]}" for d in drafts if d.local in ids}}
        open_addresses = {d.local for d in waiting}
        ready = [
            d for d in waiting if not any(r in open_addresses for _, r in references_in(d.resource, ""))
        ] or waiting
        numbers: dict[str, Number] = {}
        for draft in ready:
            content = write_canonical(rewrite_references(draft.resource, addresses))
            identity = (sid("content-sha256"), hashlib.sha256(content.encode()).hexdigest())
            identified[draft.local] = replace(draft, identity=identity)
            numbers[draft.local] = (draft.type, *identity)
        found = snapshot.identities(numbers.values())
        identities |= found
        for draft in ready:
            hit = found.get(numbers[draft.local])
            ids[draft.local] = hit[0] if hit else given.new_id()
            if hit:
                led_to[draft.local] = hit[0]
        waiting = [d for d in waiting if d.local not in ids]
    return list(identified.values()), Known(identities, led_to), ids


def _existing(drafts: Sequence[Draft], known: Known, ids: dict[str, str]) -> list[Key]:
    """Keys of the resources that may be on record already."""
    keys = [(d.type, ids[d.local]) for d in drafts if d.local in known.ids]
    for draft in drafts:
        if draft.type == "QuestionnaireResponse" and draft.local in known.ids:
            keys.extend(("Observation", f"{ids[draft.local]}-{suffix}") for suffix in DERIVED_SUFFIXES)
    return keys
