"""Codes that are not in the list an element is bound to, or that no code system of ours has."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource
from service.fhir.codes import LOCAL
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import Place, edited, elements, items, put

KIND = "wrong code"
_MOST = 5
"""How many codings of a resource are made wrong."""
_HL7 = ("http://terminology.hl7.org/", "http://hl7.org/fhir/")
_ELSEWHERE = "https://elsewhere.example/codes"


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Plain codes one at a time; codings by an unknown code, another system, no code, or a code of another list."""
    resource = case.fullest
    for place in elements(resource):
        element = known(case.kind, place.names)
        if element and element.type == "code" and isinstance(place.value, str) and len(place.steps) <= 5:
            yield f"{place.name} unknown code", put(resource, place.steps, "no-such-code")
            if place.value.upper() != place.value:
                yield f"{place.name} in capitals", put(resource, place.steps, place.value.upper())
    codings = [p for p in items(resource) if isinstance(p.value, dict) and {"system", "code"} <= set(p.value)]
    codings = [p for p in codings if "value" not in p.value]
    for place in case.random(KIND).sample(codings, min(_MOST, len(codings))):
        yield from _wrong_coding(place, resource)
    yield "language unknown", edited(resource, lambda r: r.update(language="no such language"))


def _wrong_coding(place: Place, resource: Resource) -> Iterator[tuple[str, Resource]]:
    system, code = place.value["system"], place.value["code"]
    bare = {"system": system, "code": "no-such-code"}
    yield f"{place.name} unknown code", put(resource, place.steps, bare)
    if system == LOCAL:
        yield (
            f"{place.name} ours but of another list",
            put(
                resource,
                place.steps,
                {"system": LOCAL, "code": "oral-appliance" if code != "oral-appliance" else "ahi"},
            ),
        )
        yield f"{place.name} wrong display", put(resource, place.steps, {**place.value, "display": "Something else"})
    elif system.startswith(_HL7):
        yield f"{place.name} wrong display", put(resource, place.steps, {**place.value, "display": "Something else"})
    yield f"{place.name} another system", put(resource, place.steps, {"system": _ELSEWHERE, "code": code})
    yield f"{place.name} without system", put(resource, place.steps, {"code": code})
    yield f"{place.name} without code", put(resource, place.steps, {"system": system, "display": "A display"})
    yield f"{place.name} relative system", put(resource, place.steps, {"system": "codes", "code": code})
