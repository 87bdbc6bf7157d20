"""Resources the service itself keeps for a case, with their versions: only what changed is written anew."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

from service.deciding.state import CaseState
from service.fhir.build import Resource
from service.fhir.json_text import load, write, write_canonical
from service.fhir.profile_index import named_profiles, with_profile
from service.fhir.search_values import values_of
from service.rows import Stored
from service.rules.source import Source

_VOLATILE = ("recorded",)


def as_version(resource: Resource, resource_id: str, version: int, case_number: str, now: str) -> Stored:
    """A resource as a stored version, with id and meta put in; meta names the profile it belongs to."""
    resource = with_profile({**resource, "id": resource_id})
    meta = {**resource.get("meta", {}), "versionId": str(version), "lastUpdated": now}
    rest = {k: v for k, v in resource.items() if k not in ("resourceType", "id", "meta")}
    body = write({"resourceType": resource["resourceType"], "id": resource_id, "meta": meta, **rest})
    found_by = tuple(values_of(resource))
    return Stored(resource["resourceType"], resource_id, version, case_number, now, body, values=found_by)


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


class OwnResources:
    """The service's own resources of a case while one decision is made: begun from a state, and what is new of them."""

    def __init__(self, state: CaseState, case_number: str, now: str) -> None:
        self._state = state
        self._case_number = case_number
        self._now = now
        self._versions = dict(state.versions)
        self._indexed = dict(state.indexed)
        self.rows: list[Stored] = []

    def put(self, resource: Resource) -> Source:
        """Make a version of a resource if its content changed; the version that now has it."""
        reference = f"{resource['resourceType']}/{resource['id']}"
        content = {k: v for k, v in resource.items() if k not in _VOLATILE}
        digest = hashlib.sha256(write_canonical(content).encode()).hexdigest()[:32]
        version, known = self._versions.get(reference, (0, ""))
        if digest != known:
            version += 1
            self._versions[reference] = (version, digest)
            row = as_version(resource, resource["id"], version, self._case_number, self._now)
            indexed = hashlib.sha256(repr(row.values).encode()).hexdigest()[:16]
            self.rows.append(replace(row, found_as_before=self._indexed.get(reference) == indexed))
            self._indexed[reference] = indexed
        return Source(reference, version)

    def state(self) -> CaseState:
        """The state of the case with the versions as they now are."""
        return self._state.but(versions=self._versions, indexed=self._indexed)
