"""What an AuditEvent commits to: SHA-256 of the message it is of and of the resource versions that it wrote.

The hashes stand in `AuditEvent.entity.detail` (https://hl7.org/fhir/R4/auditevent-definitions.html#AuditEvent.entity.detail),
so that the audit chain guards them together with the entry. A version's hash is that of its uncompressed text as it is
stored and returned; that of a deleted version is the hash of no text at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.fhir.build import Resource

HASH, CASE, CASE_ROW, PARTY, SEES, WROTE = "sha256", "case", "case-row-1", "party", "sees", "wrote"
"""Types of details. `CASE_ROW` ends with the number of the form in which a case row is hashed."""
MESSAGE = "Message"
_REMOVED = "removed "


@dataclass(frozen=True, slots=True)
class Commitment:
    """What the transaction of an entry wrote.

    `message` is the hash of the message as received and `case_row` that of the case row, each empty when there is none.
    `versions` are hashes by `Type/id/_history/version`; `elsewhere` names the case of versions that are of another case
    than the entry, empty for those of none. `parties` are `part Organization/id`; `sees` and `wrote` are
    `Type/id Organization/id`. `removed` are hashes of what was removed, by `Type/id/_history/version` or `Message/id`.
    """

    case_number: str = ""
    message: str = ""
    case_row: str = ""
    versions: Mapping[str, str] = field(default_factory=dict[str, str])
    elsewhere: Mapping[str, str] = field(default_factory=dict[str, str])
    parties: Sequence[str] = ()
    sees: Sequence[str] = ()
    wrote: Sequence[str] = ()
    removed: Mapping[str, str] = field(default_factory=dict[str, str])


def sha256_of(text: str | bytes) -> str:
    """SHA-256 of a text, in hexadecimal digits."""
    return hashlib.sha256(text.encode() if isinstance(text, str) else text).hexdigest()


def details_of_entry(held: Commitment) -> list[Resource]:
    """The details of an entry as a whole, which stand at the entity of its request."""
    said = [(HASH, held.message), (CASE, held.case_number), (CASE_ROW, held.case_row)]
    said += [(PARTY, one) for one in held.parties]
    said += [(SEES, one) for one in held.sees] + [(WROTE, one) for one in held.wrote]
    said += [(f"{_REMOVED}{reference}", digest) for reference, digest in held.removed.items()]
    return [_detail(kind, value) for kind, value in said if value]


def details_of_version(held: Commitment, reference: str) -> list[Resource]:
    """The details of a version that the entry wrote; none for what it only names."""
    digest = held.versions.get(reference)
    if digest is None:
        return []
    other = held.elsewhere.get(reference)
    return [_detail(HASH, digest), *([] if other is None else [_detail(CASE, other or "-")])]


def _detail(kind: str, value: str) -> Resource:
    return {"type": kind, "valueString": value}


def commitment_of(event: Resource) -> Commitment | None:
    """What an AuditEvent commits to; None for one of a read, and for one of an earlier release."""
    versions: dict[str, str] = {}
    elsewhere: dict[str, str] = {}
    whole: list[tuple[str, str]] = []
    for entity in event.get("entity", ()):
        details = [(one["type"], one["valueString"]) for one in entity.get("detail", ())]
        reference = entity.get("what", {}).get("reference")
        if reference is None:
            whole += details
            continue
        for kind, value in details:
            if kind == HASH:
                versions[reference] = value
            elif kind == CASE:
                elsewhere[reference] = "" if value == "-" else value
    if not whole and not versions:
        return None
    one: dict[str, Any] = dict(whole)
    return Commitment(
        case_number=one.get(CASE, ""),
        message=one.get(HASH, ""),
        case_row=one.get(CASE_ROW, ""),
        versions=versions,
        elsewhere=elsewhere,
        parties=[value for kind, value in whole if kind == PARTY],
        sees=[value for kind, value in whole if kind == SEES],
        wrote=[value for kind, value in whole if kind == WROTE],
        removed={kind.removeprefix(_REMOVED): value for kind, value in whole if kind.startswith(_REMOVED)},
    )
