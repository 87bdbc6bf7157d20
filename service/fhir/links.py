"""Links inside a resource: elements of type uri and url, and `href` and `src` in its narrative.

https://hl7.org/fhir/R4/http.html#trules names what a transaction replaces; canonicals are left as they are. So are
elements of type oid and uuid, which could not hold the address of a resource.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from service.fhir.build import Resource
from service.fhir.conformance import base
from service.fhir.conformance.base import Element, Shape
from service.fhir.json_parts import is_list, is_object

_LINKS = frozenset({"uri", "url"})
_IN_NARRATIVE = re.compile(r"""((?:href|src)\s*=\s*)(["'])(.*?)\2""")

Change = Callable[[str], str]


def with_links(resource: Resource, change: Change) -> Resource:
    """A copy of the resource in which every link is what `change` makes of it."""
    return _object(resource, base.shape_of(resource["resourceType"]), change)


def links_of(resource: Resource) -> set[str]:
    """Every link in the resource."""
    found: set[str] = set()

    def keep(link: str) -> str:
        found.add(link)
        return link

    with_links(resource, keep)
    return found


def _object(value: dict[str, Any], shape: Shape, change: Change) -> dict[str, Any]:
    elements = shape.elements
    return {k: _held(v, elements[k], change) if k in elements else v for k, v in value.items()}


def _held(value: Any, element: Element, change: Change) -> Any:
    if is_list(value):
        return [_held(item, element, change) for item in value]
    if isinstance(value, str):
        if element.type in _LINKS:
            return change(value)
        if element.type == "xhtml":
            return _IN_NARRATIVE.sub(lambda m: f"{m[1]}{m[2]}{change(m[3])}{m[2]}", value)
        return value
    if not is_object(value):
        return value
    if element.is_resource:
        return with_links(value, change) if base.is_resource(value.get("resourceType")) else value
    return _object(value, element.shape, change) if element.shape else value
