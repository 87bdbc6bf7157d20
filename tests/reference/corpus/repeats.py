"""More of an element than there may be: by the profile, or a list where base R4 has one value."""

from __future__ import annotations

import copy
from collections.abc import Iterator

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import at, edited, elements, put

KIND = "repeated beyond max"
_LISTS = 6
"""How many single values of a resource are made lists of two."""
_FORBIDDEN = {
    "comparator": "<",
    "patient": {"reference": "Patient/p1"},
    "reference": {"reference": "Appointment/a1"},
}
"""A value for each element that a profile of ours forbids."""


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Twice what may be there once, a list of two where one value belongs, and what a profile forbids."""
    resource = case.fullest
    places = elements(resource)
    for line in case.definition["differential"]["element"]:
        name = line["path"].partition(".")[2]
        held = next((p for p in places if p.name == name), None)
        if line.get("max") not in (None, "*", "0") and ":" not in line["id"] and held and isinstance(held.value, list):
            twice = [copy.deepcopy(held.value[0]) for _ in range(int(line["max"]) + 1)]
            yield f"{line['id']} beyond {line['max']}", put(resource, held.steps, twice)
        if line.get("max") == "0":
            yield from _forbidden(line, case)
    single = [p for p in places if (k := known(case.kind, p.names)) and not k.repeats and p.key != "div"]
    for place in case.random(KIND).sample(single, min(_LISTS, len(single))):
        yield f"{place.name} as a list of two", put(resource, place.steps, [place.value, copy.deepcopy(place.value)])


def _forbidden(line: Resource, case: Case) -> Iterator[tuple[str, Resource]]:
    *owners, key = line["path"].split(".")[1:]
    stem = [o.removesuffix("[x]") for o in owners]
    for resource in case.right:
        for place in elements(resource):
            if len(place.names) == len(stem) and all(n.startswith(s) for n, s in zip(place.names, stem, strict=True)):
                holder = [*place.steps, 0] if isinstance(place.value, list) else list(place.steps)
                if isinstance(at(resource, holder), dict) and key not in at(resource, holder):
                    yield f"{line['id']} though forbidden", put(resource, [*holder, key], _FORBIDDEN[key])
                    return
    if not owners:
        yield f"{line['id']} though forbidden", edited(case.fullest, lambda r: r.update({key: _FORBIDDEN[key]}))
