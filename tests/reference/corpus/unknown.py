"""Elements that R4 does not have, at the top and inside; elements of other types; names in other letters."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.places import at, edited, items, put

KIND = "unknown element"


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Unknown names with values of each JSON type at the top, and in some objects by chance."""
    resource = case.fullest
    for name, value in {"remark": "a", "count2": 3, "settings": {"left": 1}, "extras": ["a"]}.items():
        yield f"{name} at the top", {**resource, name: value}
    yield "in capitals", {**{k: v for k, v in resource.items() if k != "meta"}, "Meta": {"versionId": "1"}}
    yield "of R5", {**resource, "instantiatesCanonicals": ["https://elsewhere.example/a"]}
    yield "with a blank", {**resource, "re mark": "a"}
    yield "companion of nothing", {**resource, "_remark": {"id": "a"}}
    yield "a type that does not exist", {**resource, "resourceType": "SleepTest"}
    yield "the type in small letters", {**resource, "resourceType": resource["resourceType"].lower()}
    yield "comments of a draft standard", {**resource, "fhir_comments": ["a"]}
    chance = case.random(KIND)
    objects = [p for p in items(resource) if isinstance(p.value, dict)]
    for place in chance.sample(objects, min(3, len(objects))):
        yield f"remark in {place.name}", put(resource, [*place.steps, "remark"], "a")
    for place in chance.sample(objects, min(2, len(objects))):
        yield f"resourceType in {place.name}", put(resource, [*place.steps, "resourceType"], "Basic")
    texts = [p for p in items(resource) if isinstance(p.value, str) and len(p.steps) > 1]
    for place in chance.sample(texts, min(2, len(texts))):
        name, owner = str(place.steps[-1]), place.steps[:-1]
        if isinstance(place.steps[-1], str):
            yield f"{place.name} in capitals", edited(resource, lambda r, o=owner, n=name: _rename(at(r, o), n))


def _rename(holder: Resource, name: str) -> None:
    holder[name.upper()] = holder.pop(name)
