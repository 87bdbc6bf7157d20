"""A draft with its place in the store, and what the store knew of it before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.fhir.build import Draft, Resource
from service.fhir.json_text import load, write_canonical
from service.fhir.profile_index import named_profiles
from service.store.resources import Stored


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


def changed_elements(before: Resource, after: Resource) -> set[str]:
    """Names of the elements in which two versions of a resource differ, beside id, meta and narrative."""
    names = ({*before, *after}) - {"id", "meta", "text"}
    return {n for n in names if write_canonical({"v": before.get(n)}) != write_canonical({"v": after.get(n)})}
