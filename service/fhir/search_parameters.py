"""Which search parameters each type has: the one table behind index, search and CapabilityStatement.

https://hl7.org/fhir/R4/searchparameter-registry.html
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from service.fhir.search_table import TABLE

_HL7 = "http://hl7.org/fhir"


class Kind(StrEnum):
    """Kinds of search parameter (https://hl7.org/fhir/R4/search.html#ptypes)."""

    TOKEN = "token"
    STRING = "string"
    DATE = "date"
    REFERENCE = "reference"
    URI = "uri"


@dataclass(frozen=True, slots=True)
class Parameter:
    """A declared parameter of one type; `targets` is empty where a reference may lead to any type."""

    type: str
    name: str
    kind: Kind
    definition: str
    elements: tuple[tuple[str, ...], ...]
    targets: tuple[str, ...] = ()
    system: str = ""
    stored_as: str = ""
    """The parameter under which the values are indexed; another one for `patient`, which is `subject` restricted."""

    @property
    def only(self) -> str:
        """The single target type whose references count, for parameters that pick them out of wider elements."""
        return "Patient" if self.name == "patient" else ""


def _read(table: str) -> dict[str, dict[str, Parameter]]:
    found: dict[str, dict[str, Parameter]] = {}
    kind = ""
    for line in table.strip().splitlines():
        if not line.startswith(" "):
            kind = line
            found[kind] = {}
            continue
        name, sort, owner, elements, *more = line.split()
        paths = tuple(tuple(path.split(".")) for path in elements.split("|"))
        reference = sort == Kind.REFERENCE
        targets = tuple(more[0].split(",")) if reference and more and more[0] != "*" else ()
        system = f"{_HL7}/{more[0]}" if more and not reference else ""
        definition = f"{_HL7}/SearchParameter/{kind if owner == '.' else owner}-{name}"
        found[kind][name] = Parameter(kind, name, Kind(sort), definition, paths, targets, system, name)
    return {kind: {p.name: _shared(p, held) for p in held.values()} for kind, held in found.items()}


def _shared(parameter: Parameter, held: Mapping[str, Parameter]) -> Parameter:
    """`patient` reads the index of the parameter over the same element, so that a reference is one row, not two."""
    if not parameter.only:
        return parameter
    wider = next((p for p in held.values() if p.name != parameter.name and p.elements == parameter.elements), None)
    stored_as = wider.name if wider else parameter.name
    return replace(parameter, stored_as=stored_as)


PARAMETERS: Mapping[str, Mapping[str, Parameter]] = _read(TABLE)
"""Declared parameters by type and name; `_id` and `_lastUpdated` hold for every type besides."""

RESOURCE_PARAMETERS = {
    "_id": ("token", f"{_HL7}/SearchParameter/Resource-id"),
    "_lastUpdated": ("date", f"{_HL7}/SearchParameter/Resource-lastUpdated"),
}
"""Parameters of every type: kind and definition."""

INDEXED: Mapping[str, tuple[Parameter, ...]] = {
    kind: tuple(p for p in held.values() if p.stored_as == p.name) for kind, held in PARAMETERS.items()
}
"""The parameters of each type whose values are kept in the index."""

_MANNER = "1"
"""Raised when the values taken from the same elements change."""


def digest_of(kind: str) -> str:
    """What the index of a type was made by; another digest means that the type is to be indexed anew."""
    text = repr((_MANNER, [(p.name, p.kind, p.elements, p.system, p.only) for p in INDEXED[kind]]))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def includes_of(kind: str) -> list[str]:
    """What `_include` takes for a type."""
    return [f"{kind}:{p.name}" for p in PARAMETERS[kind].values() if p.kind is Kind.REFERENCE]


def reverse_includes_of(kind: str) -> list[str]:
    """What `_revinclude` takes for a type: references of the declared types that may lead to it."""
    return [
        f"{source}:{p.name}"
        for source, held in PARAMETERS.items()
        for p in held.values()
        if p.kind is Kind.REFERENCE and (not p.targets or kind in p.targets)
    ]
