"""Empty lists, objects and texts, and nulls where FHIR JSON has none (https://hl7.org/fhir/R4/json.html)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.places import elements, items, put

KIND = "empty"
_MOST = 2
_VALUES: dict[str, Any] = {
    "empty list": [],
    "empty object": {},
    "null": None,
    "empty text": "",
    "text of blanks": "   ",
    "list of null": [None],
    "list of an empty object": [{}],
    "list of an empty text": [""],
}
_INTO_LISTS = ("null", "empty object", "empty text", "empty list")


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Each kind of emptiness in place of some elements and of some items of lists, and as new elements."""
    resource = case.fullest
    chance = case.random(KIND)
    for name, value in _VALUES.items():
        for place in chance.sample(elements(resource), _MOST):
            yield f"{place.name} {name}", put(resource, place.steps, value)
    first = [p for p in items(resource) if p.steps[-1] == 0]
    for name in _INTO_LISTS:
        for place in chance.sample(first, min(1, len(first))):
            yield f"{place.name} item {name}", put(resource, place.steps, _VALUES[name])
    yield "a new empty extension", {**resource, "extension": []}
    yield "a new null text", {**resource, "text": None}
    yield "a new empty companion", {**resource, "_id": {}}
    yield "a companion without its value", {**resource, "_implicitRules": {"extension": []}}
