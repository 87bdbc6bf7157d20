"""References that lead to another type of resource, to nothing, or are no references."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import Place, items, put

KIND = "wrong reference"
_MOST = 3
"""How many references of a resource are made wrong in every way; each is led to another type."""
_VALUES: dict[str, dict[str, Any]] = {
    "to a type that R4 does not have": {"reference": "Appliance/a1"},
    "to a contained resource that is not there": {"reference": "#not-there"},
    "empty of everything but a type": {"type": "Patient"},
    "with a type that is not its own": {"type": "Medication"},
    "by identifier alone": {"reference": None, "identifier": {"system": "https://elsewhere.example/id", "value": "1"}},
    "by display alone": {"reference": None, "display": "someone"},
    "as a number": {"reference": 12},
    "with blanks": {"reference": "Patient/a b"},
    "with an id that is too long": {"reference": "Patient/" + "a" * 70},
    "in words": {"reference": "the patient in room 4"},
    "by an unknown urn": {"reference": "urn:uuid:00000000-0000-4000-8000-00000000ffff"},
    "by a bad urn": {"reference": "urn:uuid:not-a-uuid"},
    "by an address of its own server": {"reference": "https://elsewhere.example/fhir/Patient/1"},
    "with an unknown key": {"href": "Patient/1"},
    "as text": {},
}


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Each reference to a type that it may not lead to; some references in every other way."""
    resource = case.fullest
    held = [p for p in items(resource) if isinstance(p.value, dict) and isinstance(p.value.get("reference"), str)]
    for place in held:
        element = known(case.kind, place.names)
        if element:
            targets = element.targets or ("Resource",)
            other = "Medication" if "Medication" not in targets else "Appointment"
            yield f"{place.name} to {other}", put(resource, place.steps, {"reference": f"{other}/m1"})
            if other in ("Medication",) and "Resource" not in targets:
                yield (
                    f"{place.name} to {other} by address",
                    put(resource, place.steps, {"reference": "https://elsewhere.example/fhir/Medication/m1"}),
                )
    for place in case.random(KIND).sample(held, min(_MOST, len(held))):
        for name, change in _VALUES.items():
            yield f"{place.name} {name}", put(resource, place.steps, _with(place, change))


def _with(place: Place, change: dict[str, Any]) -> Any:
    if not change:
        return place.value["reference"]
    return {key: value for key, value in {**place.value, **change}.items() if value is not None}
