"""Resources the service itself keeps for a case, with their versions: only what changed is written anew."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, fields, replace
from typing import Any

from service.fhir.build import Resource
from service.fhir.json_text import load, write, write_canonical
from service.fhir.profile_index import with_profile
from service.fhir.search_values import values_of
from service.rules.source import Source
from service.store.resources import Stored

_VOLATILE = ("recorded",)


def stored(resource: Resource, resource_id: str, version: int, case_number: str, now: str) -> Stored:
    """A resource as a stored version, with id and meta put in; meta names the profile it belongs to."""
    resource = with_profile({**resource, "id": resource_id})
    meta = {**resource.get("meta", {}), "versionId": str(version), "lastUpdated": now}
    rest = {k: v for k, v in resource.items() if k not in ("resourceType", "id", "meta")}
    body = write({"resourceType": resource["resourceType"], "id": resource_id, "meta": meta, **rest})
    found_by = tuple(values_of(resource))
    return Stored(resource["resourceType"], resource_id, version, case_number, now, body, values=found_by)


@dataclass(slots=True)
class Derived:
    """The service's own resources of one case: version and content digest of each, and small notes.

    `spent_before` and `spent_by` say for which decisions the marks of spent facts hold; `standing` is a digest of what
    matters of the decision that the resources tell; `replaced_because` how the referral before this one ended.
    `waits_for` are the parts of the offices for whose binding the referral waits, `asked_of` the registered organisation
    of the dental office it is asked of, `sent_by` the kind of office that sent it, `offices` the entries of the directory
    that the parties were told of. `changed_by_release` are the day, before and after, when a release that read the facts
    anew decided otherwise.
    """

    case_number: str
    versions: dict[str, list[Any]] = field(default_factory=dict)
    proposals: dict[str, list[str]] = field(default_factory=dict)
    conditions: list[str] = field(default_factory=list)
    business_status: str = ""
    moved_on: str = ""
    birth_date: str = ""
    appliance: str = ""
    spent_before: str = ""
    spent_by: int = 0
    standing: str = ""
    to_cancel: str = ""
    replaced_because: str = ""
    waits_for: list[str] = field(default_factory=list)
    asked_of: str = ""
    sent_by: str = ""
    offices: list[str] = field(default_factory=list)
    changed_by_release: list[str] = field(default_factory=list)
    found_by: dict[str, str] = field(default_factory=dict)
    """Digest of the values each is found by, so that the search index is written only where they change."""
    rows: list[Stored] = field(default_factory=list)

    @classmethod
    def of(cls, case_number: str, text: str) -> Derived:
        """From the JSON text of a case row; notes of another release that this one does not know are left out."""
        held = load(text)
        return cls(case_number, **{name: held[name] for name in _NOTES if name in held})

    def text(self) -> str:
        """As JSON text for the case row."""
        return write({name: getattr(self, name) for name in _NOTES})

    def decide_anew(self) -> None:
        """Forget what was noted of the last decision, so that the next one reads every fact and is recorded."""
        self.spent_before, self.spent_by, self.standing = "", 0, ""

    def put(self, resource: Resource, now: str) -> Source:
        """Write a resource if its content changed; the version that now holds it."""
        reference = f"{resource['resourceType']}/{resource['id']}"
        content = {k: v for k, v in resource.items() if k not in _VOLATILE}
        digest = hashlib.sha256(write_canonical(content).encode()).hexdigest()[:32]
        version, known = self.versions.get(reference, (0, ""))
        if digest != known:
            version += 1
            self.versions[reference] = [version, digest]
            row = stored(resource, resource["id"], version, self.case_number, now)
            found_by = hashlib.sha256(repr(row.values).encode()).hexdigest()[:16]
            self.rows.append(replace(row, found_as_before=self.found_by.get(reference) == found_by))
            self.found_by[reference] = found_by
        return Source(reference, version)


_NOTES = tuple(f.name for f in fields(Derived) if f.name not in ("case_number", "rows"))
"""What of it the case row keeps."""
