"""A draft with its place in the store, and what the store knew of it before."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.build import Draft, Resource
from service.fhir.json_text import write_canonical
from service.rows import Stored


@dataclass(frozen=True, slots=True)
class Identified:
    """A draft with its id and, when something is to be written, its next version and resource; `before` is what is stored."""

    draft: Draft
    id: str
    version: int
    resource: Resource
    what: str
    note: str = ""
    before: Stored | None = None

    @property
    def reference(self) -> str:
        """`Type/id`."""
        return f"{self.draft.type}/{self.id}"

    @property
    def written(self) -> bool:
        """Whether a version is to be written."""
        return self.what in ("created", "updated")


@dataclass(frozen=True, slots=True)
class Known:
    """What the store knows of a message's drafts: identities, and the ids that drafts lead to by their addresses."""

    identities: dict[tuple[str, str, str], tuple[str, int]]
    ids: dict[str, str]


def changed_elements(before: Resource, after: Resource) -> set[str]:
    """Names of the elements in which two versions of a resource differ, beside id, meta and narrative."""
    names = ({*before, *after}) - {"id", "meta", "text"}
    return {n for n in names if write_canonical({"v": before.get(n)}) != write_canonical({"v": after.get(n)})}
