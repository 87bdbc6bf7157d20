"""The values under which a resource is found: what its declared search parameters say of it.

https://hl7.org/fhir/R4/search.html#ptypes
"""

from __future__ import annotations

import hashlib
import unicodedata
from typing import Any, NamedTuple

from service.fhir.build import Resource
from service.fhir.json_parts import is_list, is_object
from service.fhir.search_dates import range_of_element
from service.fhir.search_parameters import INDEXED, Kind, Parameter

LONGEST = 256
"""Characters of a value or its part kept in the index."""

IDENTIFIER = ":identifier"
"""Ends the name under which the identifiers inside references are kept."""


class Value(NamedTuple):
    """One row of the index.

    token: code and system; string: folded and exact text; reference: id and type, or address and nothing; uri: address;
    date: first moment, and in `ends` the first moment after. Both texts are empty when the element is there and
    holds nothing that can be searched.
    """

    param: str
    value: str
    part: str = ""
    ends: str | None = None


def values_of(resource: Resource) -> list[Value]:
    """Every value of a resource, each once."""
    found: dict[Value, None] = {}
    for name, path, taken, parameter in _STEPS[resource["resourceType"]]:
        held = resource.get(name)
        if held is None:
            continue
        for element in (held,) if len(path) == 1 and not is_list(held) else _at(held, path, 1):
            for value in taken(parameter, element) or _nothing(parameter):
                found[value] = None
    return list(found)


def fold(text: str) -> str:
    """A text without case and accents, as searches by string compare it."""
    if text.isascii():
        return text.casefold()[:LONGEST]
    plain = unicodedata.normalize("NFKD", text)
    return "".join(c for c in plain.casefold() if not unicodedata.combining(c))[:LONGEST]


def short(text: str) -> str:
    """A text as it is kept for comparing it whole: the end of a longer one than fits becomes its digest."""
    if len(text) <= LONGEST:
        return text
    return text[: LONGEST - 64] + hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def reference_key(reference: str) -> tuple[str, str]:
    """Id and type of a relative reference without its version; the whole address and nothing of any other."""
    kind, slash, rest = reference.partition("/")
    if slash and kind in INDEXED:
        resource_id, slash, tail = rest.partition("/")
        if not slash or tail.startswith("_history/"):
            return resource_id, kind
    return short(reference), ""


def _at(held: Any, path: tuple[str, ...], depth: int) -> list[Any]:
    """The elements at a path, through every list on the way."""
    if is_list(held):
        return held if depth == len(path) else [e for item in held for e in _at(item, path, depth)]
    if depth == len(path):
        return [held]
    if is_object(held) and path[depth] in held:
        return _at(held[path[depth]], path, depth + 1)
    return []


def _dates(parameter: Parameter, element: Any) -> list[Value]:
    covered = range_of_element(element)
    return [Value(parameter.name, covered[0], "", covered[1])] if covered else []


def _codes(parameter: Parameter, element: Any) -> list[Value]:
    name = parameter.name
    return [Value(name, short(code), short(system)) for code, system in _tokens(element, parameter.system)]


def _strings(parameter: Parameter, element: Any) -> list[Value]:
    return [Value(parameter.name, fold(text), short(text)) for text in _texts(element)]


def _addresses(parameter: Parameter, element: Any) -> list[Value]:
    return [Value(parameter.name, short(element))] if isinstance(element, str) and element else []


def _nothing(parameter: Parameter) -> list[Value]:
    """What an element that holds nothing to search leaves, so that it is not taken for missing."""
    return [] if parameter.only else [Value(parameter.name, "")]


def _tokens(element: Any, system: str) -> list[tuple[str, str]]:
    """(code, system) of a code, boolean, Coding, CodeableConcept or Identifier."""
    if isinstance(element, bool):
        return [("true" if element else "false", "")]
    if isinstance(element, str):
        return [(element, system)] if element else []
    if not is_object(element):
        return []
    if is_list(element.get("coding")):
        return [pair for coding in element["coding"] for pair in _tokens(coding, "")]
    code = element.get("code", element.get("value"))
    return [(code, element.get("system") or "")] if isinstance(code, str) and code else []


def _texts(element: Any) -> list[str]:
    """The text, or the parts of a HumanName."""
    if isinstance(element, str):
        return [element] if element else []
    if not is_object(element):
        return []
    parts = (element.get(key) for key in ("text", "family", "given", "prefix", "suffix"))
    return [text for part in parts for text in (part if is_list(part) else [part]) if text]


def _references(parameter: Parameter, element: Any) -> list[Value]:
    if isinstance(element, str):
        address, _, version = element.partition("|")
        return [Value(parameter.name, short(address), short(version))]
    if not is_object(element):
        return []
    found: list[Value] = []
    reference = element.get("reference")
    if isinstance(reference, str) and reference and not reference.startswith("#"):
        found.append(Value(parameter.name, *reference_key(reference)))
    if parameter.only and all(value.part != parameter.only for value in found):
        return []
    if is_object(element.get("identifier")):
        pairs = _tokens(element["identifier"], "")
        found += [Value(parameter.name + IDENTIFIER, short(code), short(system)) for code, system in pairs]
    return found


_TAKEN = {
    Kind.DATE: _dates,
    Kind.TOKEN: _codes,
    Kind.STRING: _strings,
    Kind.URI: _addresses,
    Kind.REFERENCE: _references,
}
_STEPS = {
    kind: tuple((path[0], path, _TAKEN[p.kind], p) for p in parameters for path in p.elements)
    for kind, parameters in INDEXED.items()
}
"""For each type, in the order of its parameters: the element to look at, the path below it, how its values are taken."""
