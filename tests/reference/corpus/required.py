"""An element that base R4 or the profile asks for is not there: each by itself."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import dropped, edited, elements

KIND = "required element dropped"


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """The resource without each element that must be there, one at a time, and without its type."""
    resource = case.fullest
    asked = {e["path"].partition(".")[2] for e in case.definition["differential"]["element"] if e.get("min")}
    for place in elements(resource):
        element = known(case.kind, place.names)
        if (element and element.needed) or place.name in asked:
            yield place.name, dropped(resource, place.steps)
    yield "resourceType", edited(resource, lambda r: r.pop("resourceType"))
