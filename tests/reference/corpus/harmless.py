"""Changes after which a resource is as right as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import at, edited, elements, items

KIND = "harmless"
_URL = "https://elsewhere.example/StructureDefinition/remark"
_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_DIV = '<div xmlns="http://www.w3.org/1999/xhtml"><p>As agreed.</p></div>'
_CODING = {"system": "https://elsewhere.example/codes", "code": "other", "display": "Said in other words"}


def _backwards(resource: Resource) -> None:
    held = dict(reversed(resource.items()))
    resource.clear()
    resource.update(held)


def _all_texts(change: Callable[[Resource], Any], key: str) -> Callable[[Resource], Any]:
    """Changes every object in which the key stands."""

    def apply(resource: Resource) -> None:
        for place in items(resource):
            if isinstance(place.value, dict) and key in place.value:
                change(at(resource, place.steps))

    return apply


_CHANGES: dict[str, Callable[[Resource], Any]] = {
    "members in reverse order": _backwards,
    "without id": lambda r: r.pop("id", None),
    "without meta": lambda r: r.pop("meta", None),
    "another id": lambda r: r.update(id="another.id-1"),
    "tag": lambda r: r.setdefault("meta", {}).update(tag=[_CODING]),
    "source": lambda r: r.setdefault("meta", {}).update(source="https://elsewhere.example/source"),
    "language": lambda r: r.update(language="en-GB"),
    "narrative": lambda r: r.update(text={"status": "generated", "div": _DIV}),
    "extension at the top": lambda r: r.update(extension=[{"url": _URL, "valueString": "a"}]),
    "extension of extensions": lambda r: r.update(
        extension=[{"url": _URL, "extension": [{"url": "inner", "valueInteger": 1}]}]
    ),
    "a companion with an extension": lambda r: r.update(
        _language={"extension": [{"url": _ABSENT, "valueCode": "unknown"}]}
    ),
    "a companion with an id": lambda r: r.update(language="en", _language={"id": "a"}),
    "display changed at references": _all_texts(lambda held: held.update(display="Someone"), "reference"),
    "type named at references": _all_texts(
        lambda held: (
            held.update(type=held["reference"].split("/")[0])
            if isinstance(held["reference"], str) and "/" in held["reference"] and "http" not in held["reference"]
            else None
        ),
        "reference",
    ),
    "a further coding": lambda r: _further_codings(r),
    "text beside codes": _all_texts(lambda held: held.update(text="In words"), "coding"),
    "ids inside": lambda r: _ids_inside(r),
    "user selected codings": lambda r: [held.update(userSelected=True) for held in _codings(r)],
    "a further identifier": lambda r: _append_identifier(r),
}


def _further_codings(resource: Resource) -> None:
    """A code of its own at each place: no two places may have one code by chance (obs-7)."""
    held = [at(resource, p.steps) for p in items(resource) if isinstance(p.value, dict) and "coding" in p.value]
    for index, concept in enumerate(held):
        concept["coding"].append({**_CODING, "code": f"other-{index}"})


def _codings(resource: Resource) -> list[Resource]:
    return [
        coding
        for concept in (at(resource, p.steps) for p in items(resource))
        if isinstance(concept, dict)
        for coding in concept.get("coding", ())
    ]


def _ids_inside(resource: Resource) -> None:
    for index, coding in enumerate(_codings(resource)):
        coding["id"] = f"inner-{index}"


def _append_identifier(resource: Resource) -> None:
    element = known(resource["resourceType"], ["identifier"])
    further = {"use": "secondary", "system": "https://elsewhere.example/numbers", "value": "2"}
    if element and element.repeats:
        resource.setdefault("identifier", []).append(further)


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Every change that changes something in the right resource, and a full time for some days."""
    resource = case.fullest
    for what, change in _CHANGES.items():
        changed = edited(resource, change)
        if list(changed.items()) != list(resource.items()):
            yield what, changed
    for place in elements(resource):
        element = known(case.kind, place.names)
        if element and element.type == "datetime" and isinstance(place.value, str) and len(place.value) == 10:
            yield (
                f"{place.name} with its time",
                edited(resource, lambda r, p=place: at(r, p.steps[:-1]).update({p.steps[-1]: f"{p.value}T12:00:00Z"})),
            )
