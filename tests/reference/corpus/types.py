"""A value of another JSON type than its element has: text for a number, a list for an object, and so on."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import Place, edited, items, places, put

KIND = "wrong JSON type"
_MOST = 12
"""How many places of a resource are given a value of another type."""


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Some places by chance, with a value of another type each; every kind of place is hit in some profile."""
    resource = case.fullest
    chance = case.random(KIND)
    held = [p for p in places(resource) if p in items(resource) or known(case.kind, p.names)]
    for place in chance.sample(held, min(_MOST, len(held))):
        name, value = chance.choice(_others(place))
        yield (
            f"{place.name} {name}{'' if isinstance(place.steps[-1], str) else ' in the list'}",
            put(resource, place.steps, value),
        )
    yield "resourceType a number", edited(resource, lambda r: r.update(resourceType=5))
    yield "resourceType another", edited(resource, lambda r: r.update(resourceType="Basic"))


def _others(place: Place) -> list[tuple[str, Any]]:
    value = place.value
    if isinstance(value, bool):
        return [("boolean as text", "true"), ("boolean as a number", 1), ("boolean in an object", {"value": value})]
    if isinstance(value, int | Decimal):
        return [("number as text", str(value)), ("number as boolean", True), ("number in an object", {"value": value})]
    if isinstance(value, str):
        return [("text as a number", 5), ("text as boolean", False), ("text in an object", {"value": value})]
    if isinstance(value, list):
        return [("list as its first item", value[0]), ("list as text", "list"), ("list in a list", [value])]
    return [("object as text", "object"), ("object as a number", 7), ("object in a list too deep", [[value]])]
