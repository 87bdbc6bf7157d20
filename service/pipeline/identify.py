"""Which resources the drafts of a message are: new ones, repeats, corrections, late earlier revisions."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused
from service.fhir.build import VERIFICATION, Draft, Resource, references_in, rewrite_references, sid
from service.fhir.json_text import load, write_canonical
from service.fhir.profile_index import named_profiles
from service.fhir.read_facts import is_withdrawn
from service.store import resources
from service.store.ids import new_id
from service.store.resources import Stored

_DERIVED_SUFFIXES = ("snoring", "restedness", "epworth", "pauses", "wear", "weight")


@dataclass(slots=True)
class Identified:
    """A draft with its id and, when something is to be written, its next version and resource."""

    draft: Draft
    id: str
    version: int
    resource: Resource
    what: str
    note: str = ""
    held: Stored | None = None

    @property
    def reference(self) -> str:
        """`Type/id`."""
        return f"{self.draft.type}/{self.id}"

    @property
    def written(self) -> bool:
        """Whether a version is to be written."""
        return self.what in ("created", "updated")


@dataclass(slots=True)
class Known:
    """What the store knew of a message's drafts before it: identities, and the ids they lead to."""

    identities: dict[tuple[str, str, str], tuple[str, int]]
    ids: dict[str, str]


def look_up(connection: Connection, drafts: Sequence[Draft]) -> Known:
    """The ids that identities and addresses of the drafts already lead to."""
    keys = [(d.type, *d.identity) for d in drafts if d.identity]
    identities = resources.find_identities(connection, keys)
    ids: dict[str, str] = {}
    for draft in drafts:
        if draft.target_id:
            ids[draft.local] = draft.target_id
        elif draft.identity and (draft.type, *draft.identity) in identities:
            ids[draft.local] = identities[(draft.type, *draft.identity)][0]
    return Known(identities, ids)


def identify(
    connection: Connection, drafts: Sequence[Draft], known: Known, case_addresses: dict[str, str]
) -> list[Identified]:
    """Every draft with its place in the store. Refused with every draft that cannot have one."""
    ids = dict(known.ids)
    drafts = [d for d in drafts if not d.withdraws or d.local in known.ids]
    for draft in drafts:
        if draft.identity and draft.local not in ids:
            ids[draft.local] = new_id()
    _identify_by_content(connection, drafts, known, ids, case_addresses)
    for draft in drafts:
        if draft.parent:
            ids[draft.local] = f"{ids[draft.parent[0]]}-{draft.parent[1]}"
    addresses = {**case_addresses, **{d.local: f"{d.type}/{ids[d.local]}" for d in drafts}}
    held = resources.current_of(connection, _existing(drafts, known, ids))
    problems: list[Problem] = []
    found: dict[str, Identified] = {}
    for draft in sorted(drafts, key=lambda d: bool(d.goes_with)):
        key = (draft.type, ids[draft.local])
        if draft.parent and not _follows(draft, key, found, held):
            continue
        if draft.goes_with and key not in held and _is_late(found.get(draft.goes_with), known):
            continue
        resource = rewrite_references(draft.resource, addresses)
        try:
            found[draft.local] = _place(draft, ids[draft.local], resource, known, held, found)
        except Refused as refused:
            problems.extend(refused.problems)
    if problems:
        raise Refused(problems)
    return [*found.values(), *_withdrawn_with_parent(found, held)]


def _identify_by_content(
    connection: Connection, drafts: Sequence[Draft], known: Known, ids: dict[str, str], case_addresses: dict[str, str]
) -> None:
    """Ids for drafts without a business identifier: equal content is the same resource.

    References to other such drafts are settled first; a circle of them gets new ids.
    """
    waiting = [d for d in drafts if d.local not in ids and not d.parent]
    while waiting:
        addresses = {**case_addresses, **{d.local: f"{d.type}/{ids[d.local]}" for d in drafts if d.local in ids}}
        open_addresses = {d.local for d in waiting}
        ready = [
            d for d in waiting if not any(r in open_addresses for _, r in references_in(d.resource, ""))
        ] or waiting
        for draft in ready:
            content = write_canonical(rewrite_references(draft.resource, addresses))
            draft.identity = (sid("content-sha256"), hashlib.sha256(content.encode()).hexdigest())
        keys = [(d.type, *d.identity) for d in ready if d.identity]
        identities = resources.find_identities(connection, keys)
        known.identities.update(identities)
        for draft in ready:
            assert draft.identity
            hit = identities.get((draft.type, *draft.identity))
            ids[draft.local] = hit[0] if hit else new_id()
            if hit:
                known.ids[draft.local] = hit[0]
        waiting = [d for d in waiting if d.local not in ids]


def _existing(drafts: Sequence[Draft], known: Known, ids: dict[str, str]) -> list[tuple[str, str]]:
    """Keys of the resources that may be on record already."""
    keys = [(d.type, ids[d.local]) for d in drafts if d.local in known.ids]
    for draft in drafts:
        if draft.type == "QuestionnaireResponse" and draft.local in known.ids:
            keys.extend(("Observation", f"{ids[draft.local]}-{suffix}") for suffix in _DERIVED_SUFFIXES)
    return keys


def _place(
    draft: Draft,
    resource_id: str,
    resource: Resource,
    known: Known,
    held: dict[tuple[str, str], Stored],
    found: dict[str, Identified],
) -> Identified:
    before = held.get((draft.type, resource_id))
    if draft.withdraws and before:
        resource = _in_error(before)
    if draft.type == "ServiceRequest" and draft.revises and before:
        resource = {**resource, "status": load(before.body)["status"]}  # its Task moves it, not a correction
    if draft.parent:
        parent = found[draft.parent[0]]
        if not parent.written and before:
            return Identified(draft, resource_id, before.version, resource, parent.what, held=before)
        return _next(draft, resource_id, resource, before)
    if draft.target_id:
        return _update(draft, resource_id, resource, before)
    if before is None:
        return Identified(draft, resource_id, 1, resource, "created")
    if draft.unlike_is_conflict and not same_content(before.body, resource):
        sentence = f"{draft.type}/{resource_id} is on record with other content; update it with PUT and If-Match."
        raise Refused(Problem(Category.CONFLICT, sentence, draft.path))
    if not draft.revises or same_content(before.body, resource):
        return Identified(draft, resource_id, before.version, resource, "unchanged", held=before)
    assert draft.identity
    revision = known.identities[(draft.type, *draft.identity)][1]
    if draft.revision < revision:
        note = f"{draft.path or draft.type}: a later revision is on record; this one was received and not applied."
        return Identified(draft, resource_id, before.version, resource, "kept", note, before)
    if draft.revision == revision:
        if is_withdrawn(resource) and is_withdrawn(load(before.body)):
            return Identified(draft, resource_id, before.version, resource, "unchanged", held=before)
        raise Refused(
            Problem(
                Category.CONFLICT,
                f"«{draft.identity[1]}» is on record with other content; send a correction with a higher revision.",
                draft.path,
            )
        )
    return _next(draft, resource_id, resource, before)


def _is_late(leader: Identified | None, known: Known) -> bool:
    """Whether the draft another goes with is refused, or an earlier revision than the one on record."""
    if leader is None:
        return True
    if leader.draft.identity is None:
        return False
    _, on_record = known.identities.get((leader.draft.type, *leader.draft.identity), ("", 0))
    return leader.draft.revision < on_record


def _in_error(before: Stored) -> Resource:
    """A stored resource as entered in error; a Condition says so in its verification status and loses its clinical one."""
    body = content_of(load(before.body))
    if before.type != "Condition":
        return {**body, "status": "entered-in-error"}
    body.pop("clinicalStatus", None)
    return {**body, "verificationStatus": {"coding": [{"system": VERIFICATION, "code": "entered-in-error"}]}}


def _follows(
    draft: Draft, key: tuple[str, str], found: dict[str, Identified], held: dict[tuple[str, str], Stored]
) -> bool:
    """Whether a derived draft has a place: not when its parent is refused, or is an earlier revision not applied."""
    assert draft.parent
    parent = found.get(draft.parent[0])
    return parent is not None and (parent.written or key in held)


def _next(draft: Draft, resource_id: str, resource: Resource, before: Stored | None) -> Identified:
    if before is None:
        return Identified(draft, resource_id, 1, resource, "created")
    return Identified(draft, resource_id, before.version + 1, resource, "updated", held=before)


def _update(draft: Draft, resource_id: str, resource: Resource, before: Stored | None) -> Identified:
    if before is None:
        raise Refused(Problem(Category.NOT_FOUND, f"{draft.type}/{resource_id} is not here.", draft.path))
    if draft.if_match != before.version:
        sentence = f"{draft.type}/{resource_id} is at version {before.version} by now, not {draft.if_match}."
        raise Refused(Problem(Category.STALE, sentence, draft.path))
    if same_content(before.body, resource):
        return Identified(draft, resource_id, before.version, resource, "unchanged", held=before)
    return _next(draft, resource_id, resource, before)


def _withdrawn_with_parent(found: dict[str, Identified], held: dict[tuple[str, str], Stored]) -> list[Identified]:
    """Observations of a check-in's earlier version that its new version no longer gives."""
    gone: list[Identified] = []
    made = {(i.draft.type, i.id) for i in found.values()}
    for item in list(found.values()):
        if item.draft.type != "QuestionnaireResponse" or not item.written:
            continue
        for suffix in _DERIVED_SUFFIXES:
            key = ("Observation", f"{item.id}-{suffix}")
            before = held.get(key)
            if before is None or key in made:
                continue
            resource = _in_error(before)
            if same_content(before.body, resource):
                continue
            draft = Draft(resource, f"{item.draft.local}-{suffix}", item.draft.path, parent=(item.draft.local, suffix))
            gone.append(Identified(draft, key[1], before.version + 1, resource, "updated", held=before))
    return gone


def content_of(body: dict[str, Any]) -> Resource:
    """A stored resource without what the server added: id, version, time, the profile it belongs to."""
    resource = {k: v for k, v in body.items() if k not in ("id", "meta")}
    kept = {k: v for k, v in body.get("meta", {}).items() if k not in ("versionId", "lastUpdated", "profile")}
    if others := named_profiles(body):
        kept["profile"] = others
    return {**resource, "meta": kept} if kept else resource


def same_content(body: str, resource: Resource) -> bool:
    """Whether a stored body says the same as a resource, to the last digit."""
    return write_canonical(content_of(load(body))) == write_canonical(content_of(resource))
