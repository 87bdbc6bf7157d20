"""What becomes of a draft whose resource is known: a new version, an update, a deletion, or nothing at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.deciding.versions import content_of, same_content
from service.errors import Category, Problem, Refused
from service.fhir.build import VERIFICATION, Draft, Resource
from service.fhir.json_text import load
from service.fhir.read_facts import is_withdrawn
from service.intake.identified import Identified, Known
from service.rows import Key, Stored

DERIVED_SUFFIXES = ("snoring", "restedness", "epworth", "pauses", "wear", "weight")


_NOT_TAKEN = "patient: is on record with other particulars, which stay; correct them by updating the Patient."


@dataclass(frozen=True, slots=True)
class Beside:
    """What a draft is placed beside: what the store knows of the message, what it has of it, drafts placed before."""

    known: Known
    stored: Mapping[Key, Stored]
    placed: Mapping[str, Identified]


def placed(draft: Draft, resource_id: str, resource: Resource, beside: Beside) -> Identified:
    """A draft with its place. Refused when it cannot have one."""
    before = beside.stored.get((draft.type, resource_id))
    if draft.withdraws and before:
        resource = _in_error(before)
    if draft.type == "ServiceRequest" and draft.revises and before:
        resource = {**resource, "status": load(before.body)["status"]}  # its Task moves it, not a correction
    if draft.parent:
        parent = beside.placed[draft.parent[0]]
        if not parent.written and before:
            return Identified(draft, resource_id, before.version, resource, parent.what, before=before)
        return _next(draft, resource_id, resource, before)
    if draft.deletes:
        return _delete(draft, resource_id, before)
    if draft.target_id or (draft.updates and before is not None):
        # made by another writer since the condition was looked up, where there is no target
        return _update(draft, resource_id, resource, before)
    if before is None:
        return Identified(draft, resource_id, 1, resource, "created")
    if draft.unlike_is_conflict and not same_content(before.body, resource):
        sentence = f"{draft.type}/{resource_id} is on record with other content; update it with PUT and If-Match."
        raise Refused(Problem(Category.CONFLICT, sentence, draft.path))
    if not draft.revises or same_content(before.body, resource):
        note = _NOT_TAKEN if draft.type == "Patient" and not same_content(before.body, resource) else ""
        return Identified(draft, resource_id, before.version, resource, "unchanged", note, before)
    assert draft.identity
    revision = beside.known.identities[(draft.type, *draft.identity)][1]
    if draft.revision < revision:
        note = f"{draft.path or draft.type}: a later revision is on record; this one was received and not applied."
        return Identified(draft, resource_id, before.version, resource, "kept", note, before)
    if draft.revision == revision:
        if is_withdrawn(resource) and is_withdrawn(load(before.body)):
            return Identified(draft, resource_id, before.version, resource, "unchanged", before=before)
        raise Refused(
            Problem(
                Category.CONFLICT,
                f"«{draft.identity[1]}» is on record with other content; send a correction with a higher revision.",
                draft.path,
            )
        )
    return _next(draft, resource_id, resource, before)


def is_late(leader: Identified | None, known: Known) -> bool:
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


def follows(draft: Draft, key: Key, found: Mapping[str, Identified], stored: Mapping[Key, Stored]) -> bool:
    """Whether a derived draft has a place: not when its parent is refused, or is an earlier revision not applied."""
    assert draft.parent
    parent = found.get(draft.parent[0])
    return parent is not None and (parent.written or key in stored)


def _next(draft: Draft, resource_id: str, resource: Resource, before: Stored | None) -> Identified:
    if before is None:
        return Identified(draft, resource_id, 1, resource, "created")
    return Identified(draft, resource_id, before.version + 1, resource, "updated", before=before)


def _update(draft: Draft, resource_id: str, resource: Resource, before: Stored | None) -> Identified:
    """https://hl7.org/fhir/R4/http.html#update and #upsert; an update of a deleted resource brings it back."""
    if draft.if_match is not None:
        _check_version(draft, resource_id, before)
    if before is None:
        if not draft.may_create:
            sentence = (
                f"{draft.type}/{resource_id} is not here. The service names the ids of this type; create it by POST."
            )
            raise Refused(Problem(Category.NOT_ALLOWED, sentence, draft.path))
        return Identified(draft, resource_id, 1, resource, "created")
    if before.deleted:
        return Identified(draft, resource_id, before.version + 1, resource, "created", before=before)
    if draft.if_match is None and not draft.condition:
        sentence = "An update needs If-Match with the version that was read."
        raise Refused(Problem(Category.MISSING_PRECONDITION, sentence, draft.path))
    if same_content(before.body, resource):
        return Identified(draft, resource_id, before.version, resource, "unchanged", before=before)
    return _next(draft, resource_id, resource, before)


def _delete(draft: Draft, resource_id: str, before: Stored | None) -> Identified:
    """A deletion; of what is not there it is done already (https://hl7.org/fhir/R4/http.html#delete)."""
    if before is None or before.deleted:
        return Identified(draft, resource_id, before.version if before else 0, draft.resource, "gone", before=before)
    if draft.if_match is not None:
        _check_version(draft, resource_id, before)
    return Identified(draft, resource_id, before.version + 1, draft.resource, "deleted", before=before)


def _check_version(draft: Draft, resource_id: str, before: Stored | None) -> None:
    """Refused unless the resource is at the version that the client read."""
    if before is None:
        sentence = f"{draft.type}/{resource_id} is not here, so that there is no version {draft.if_match} of it."
        raise Refused(Problem(Category.STALE, sentence, draft.path))
    if draft.if_match != before.version:
        sentence = f"{draft.type}/{resource_id} is at version {before.version} by now, not {draft.if_match}."
        raise Refused(Problem(Category.STALE, sentence, draft.path))


def withdrawn_with_parent(found: Mapping[str, Identified], stored: Mapping[Key, Stored]) -> list[Identified]:
    """Observations of a check-in's earlier version that its new version no longer gives."""
    gone: list[Identified] = []
    made = {(i.draft.type, i.id) for i in found.values()}
    for item in list(found.values()):
        if item.draft.type != "QuestionnaireResponse" or not item.written:
            continue
        for suffix in DERIVED_SUFFIXES:
            key = ("Observation", f"{item.id}-{suffix}")
            before = stored.get(key)
            if before is None or key in made:
                continue
            resource = _in_error(before)
            if same_content(before.body, resource):
                continue
            draft = Draft(resource, f"{item.draft.local}-{suffix}", item.draft.path, parent=(item.draft.local, suffix))
            gone.append(Identified(draft, key[1], before.version + 1, resource, "updated", before=before))
    return gone
