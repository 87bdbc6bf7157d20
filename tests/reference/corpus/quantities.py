"""Quantities in another unit or system, without a value, with a comparator, or with a number that cannot be."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.places import Place, items, put

KIND = "wrong quantity"
_MOST = 3
"""How many quantities of a resource are made wrong."""
_CHANGES: dict[str, dict[str, Any]] = {
    "unit code of another kind": {"code": "kg", "unit": "kg"},
    "unit code that is no UCUM": {"code": "furlongs-per-night"},
    "unit code by its other name": {"code": "percent", "unit": "percent"},
    "system of another": {"system": "https://elsewhere.example/units"},
    "without system": {"system": None},
    "without code and system": {"system": None, "code": None},
    "without code": {"code": None},
    "without value": {"value": None},
    "without unit text": {"unit": None},
    "unit text of another language": {"unit": "Stück"},
    "more than": {"comparator": ">"},
    "comparator unknown": {"comparator": "~"},
    "value as text": {"value": "3"},
    "value far too high": {"value": 100_000},
    "value below zero": {"value": Decimal("-99.5")},
    "value with trailing zeros": {"value": Decimal("1.000")},
    "value with an exponent": {"value": Decimal("1E+1")},
}


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Some quantities of the right resource, each changed in every way."""
    resource = case.fullest
    held = [p for p in items(resource) if isinstance(p.value, dict) and "Quantity" in p.key and "value" in p.value]
    for place in case.random(KIND).sample(held, min(_MOST, len(held))):
        for name, change in _CHANGES.items():
            yield f"{place.name} {name}", put(resource, place.steps, _with(place, change))


def _with(place: Place, change: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in {**place.value, **change}.items() if value is not None}
