"""Part of a resource: the elements asked for and those that it cannot be without.

https://hl7.org/fhir/R4/search.html#elements
"""

from __future__ import annotations

from collections.abc import Collection

from service.fhir.build import Resource
from service.fhir.conformance.base import shape_of

_SUBSETTED = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}


def part_of(resource: Resource, elements: Collection[str]) -> Resource:
    """The resource with the named elements (`value` for `valueQuantity`) and the mandatory ones, marked as a part."""
    shape = shape_of(resource["resourceType"])
    needed = {group.stem for group in shape.required} | {"id", "meta", "resourceType"}
    kept: Resource = {}
    for name, value in resource.items():
        known = shape.elements.get(name.removeprefix("_"))
        if name in needed or (known is not None and known.stem in needed) or _named(name, known, elements):
            kept[name] = value
    meta = resource.get("meta", {})
    tags = [t for t in meta.get("tag", []) if t != _SUBSETTED]
    kept["meta"] = {**meta, "tag": [*tags, _SUBSETTED]}
    return kept


def _named(name: str, known: object, elements: Collection[str]) -> bool:
    return name.removeprefix("_") in elements or getattr(known, "stem", None) in elements
