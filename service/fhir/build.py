"""Small builders for FHIR R4 datatypes and for drafts of resources on their way to the store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from service.errors import Problem
from service.fhir.codes import AMBULATORY, BASE, UCUM, Code
from service.fhir.json_parts import is_list, is_object

Resource = dict[str, Any]

SHARED = frozenset({"Patient", "Practitioner", "PractitionerRole", "Organization"})
"""Types that belong to no single case."""

VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
"""The code system of a Condition's verification status."""

_UNIT_WORDS = {"{events}/h": "events/h", "{events}": "events", "{score}": "score", "d": "days", "1": ""}


def unit_words(ucum: str) -> str:
    """A UCUM unit as people write it; empty for scores and plain counts."""
    return "" if ucum == "{score}" else _UNIT_WORDS.get(ucum, ucum)


def quantity(value: Decimal | int, ucum: str) -> dict[str, Any]:
    """A Quantity in a UCUM unit."""
    built: dict[str, Any] = {"value": value}
    words = _UNIT_WORDS.get(ucum, ucum)
    if words:
        built["unit"] = words
    return {**built, "system": UCUM, "code": ucum}


def sid(kind: str, *owner: str) -> str:
    """The identifier system of one kind of business number, of one owner if given."""
    return "/".join((BASE, "sid", kind, *owner))


def identifier(system: str, value: str) -> dict[str, Any]:
    """A business identifier."""
    return {"system": system, "value": value}


def component(code: Code, key: str, value: Any) -> dict[str, Any]:
    """An Observation component with `value[x]` named by `key`, e.g. `valueQuantity`."""
    return {"code": code.concept, key: value}


def encounter(kind: Code, subject: dict[str, Any], day: str, withdrawn: bool = False) -> dict[str, Any]:
    """A finished visit of one day (https://hl7.org/fhir/R4/encounter.html)."""
    return {
        "resourceType": "Encounter",
        "status": "entered-in-error" if withdrawn else "finished",
        "class": AMBULATORY.coding,
        "type": [kind.concept],
        "subject": subject,
        "period": {"start": day, "end": day},
    }


@dataclass(frozen=True, slots=True)
class Condition:
    """What a client looks a resource up by: a business identifier (any system when `system` is None), or a search.

    `pairs` are the names and values of a search by anything else; empty for an identifier.
    """

    system: str | None
    value: str
    pairs: tuple[tuple[str, str], ...] = ()

    def meets(self, identifier: tuple[str, str]) -> bool:
        """Whether an identifier (system, value) is the one asked for."""
        return not self.pairs and identifier[1] == self.value and self.system in (None, identifier[0])

    @property
    def words(self) -> str:
        """What a resource must have to be the one."""
        return "what is asked for" if self.pairs else f"the identifier {self.value}"


@dataclass(slots=True)
class Draft:
    """A resource on its way to the store.

    `local` is the address other drafts refer to it by (a `urn:uuid:` or `Type/id`). `identity` is the
    business identifier that makes a repeat the same resource. `revises` says what a repeat with other
    content does: make a new version (with a higher `revision`) or leave the first as it is; with
    `unlike_is_conflict` it is refused instead. A draft that `withdraws` is the resource on record, as entered
    in error, and nothing when there is none. A new one that `goes_with` another draft has no place when that one
    is an earlier revision not applied. `path`, `date_path` and, by what they are about, `field_paths` are where
    problems are reported; `warnings` are told and no reason to refuse.

    From FHIR: `place` is its place in the message, `identifiers` every business identifier it carries, `condition` the
    identifier by which it is looked for (`found` when the store has it), `asked_id` the id its body bears,
    `may_create` whether an update of nothing creates it, `links_to` the server whose addresses its links are given.
    """

    resource: Resource
    local: str
    path: str
    date_path: str = ""
    field_paths: Mapping[str, str] = field(default_factory=dict[str, str])
    identity: tuple[str, str] | None = None
    revision: int = 1
    revises: bool = False
    unlike_is_conflict: bool = False
    withdraws: bool = False
    goes_with: str = ""
    target_id: str | None = None
    if_match: int | None = None
    warnings: tuple[Problem, ...] = ()
    parent: tuple[str, str] | None = None
    place: int = 0
    identifiers: tuple[tuple[str, str], ...] = ()
    condition: Condition | None = None
    updates: bool = False
    found: str | None = None
    asked_id: str | None = None
    may_create: bool = False
    deletes: bool = False
    links_to: str = ""

    @property
    def type(self) -> str:
        """The resource type."""
        return self.resource["resourceType"]


def with_references(value: Any, change: Callable[[str], str]) -> Any:
    """A copy of `value` in which every literal reference is what `change` makes of it."""
    if is_object(value):
        return {
            key: with_references(held, change)
            if isinstance(held, dict | list)
            else change(held)
            if key == "reference" and isinstance(held, str)
            else held
            for key, held in value.items()
        }
    if is_list(value):
        return [with_references(item, change) for item in value]
    return value


def rewrite_references(value: Any, addresses: dict[str, str], versions: dict[str, int] | None = None) -> Any:
    """A copy of `value` in which every reference to a draft's address is the address it was given.

    A reference to a version of an address in `versions` leads to that version, whatever the client wrote.
    """

    def given(reference: str) -> str:
        plain, bar, version = reference.partition("/_history/")
        if not bar:
            return addresses.get(reference, reference)
        return f"{addresses.get(plain, plain)}/_history/{(versions or {}).get(plain, version)}"

    return with_references(value, given)


def references_in(value: Any, path: str) -> list[tuple[str, str]]:
    """Every literal reference inside `value`, as (path, reference)."""
    found: list[tuple[str, str]] = []
    _find_references(value, path, found)
    return found


def _find_references(value: Any, path: str, found: list[tuple[str, str]]) -> None:
    if is_object(value):
        if isinstance(held := value.get("reference"), str):
            found.append((f"{path}.reference", held))
        for key, held in value.items():
            if isinstance(held, dict | list):
                _find_references(held, f"{path}.{key}", found)
    elif is_list(value):
        for index, item in enumerate(value):
            if isinstance(item, dict | list):
                _find_references(item, f"{path}[{index}]", found)


CASE_PATIENT = "urn:airway-relay:case:patient"
CASE_REFERRAL = "urn:airway-relay:case:referral"
CASE_DENTAL_OFFICE = "urn:airway-relay:case:dental-office"
CASE_PHYSICIAN = "urn:airway-relay:case:physician"
CASE_APPLIANCE = "urn:airway-relay:case:appliance"
CASE_REPLACED = "urn:airway-relay:case:replaced-referral"
"""Addresses a message about a case may use; the pipeline puts the case's own references in their place."""


def ref(address: str) -> dict[str, str]:
    """A Reference to an address."""
    return {"reference": address}
