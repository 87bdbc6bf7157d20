"""Right resources judged by the profile of something else, or saying of themselves that they are something else."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource
from service.fhir.codes import BASE
from tests.reference.corpus.case import Case
from tests.reference.corpus.places import edited
from tests.reference.definitions import PROFILES

KIND = "other profile"


def made(case: Case) -> Iterator[tuple[str, Resource] | tuple[str, Resource, str]]:
    """Judged by profiles of its type and of another type, naming them, naming none that exists, naming its own."""
    resource = case.fullest
    chance = case.random(KIND)
    alike = [p for p in PROFILES if p.kind == case.kind and p.id != case.id]
    unlike = [p for p in PROFILES if p.kind != case.kind]
    for other in (*chance.sample(alike, min(3, len(alike))), chance.choice(unlike)):
        yield f"judged by {other.id}", resource, other.url
        yield f"names {other.id}", _naming(resource, other.url)
    yield "names its own", _naming(resource, case.url)
    yield "names its own with a version", _naming(resource, f"{case.url}|1.0.0")
    yield "names its own with another version", _naming(resource, f"{case.url}|9.9.9")
    yield "names its own twice", _naming(resource, case.url, case.url)
    yield "names one of ours that is not there", _naming(resource, f"{BASE}/StructureDefinition/no-such-profile")
    yield "names its base type", _naming(resource, f"http://hl7.org/fhir/StructureDefinition/{case.kind}")
    yield "names another base type", _naming(resource, "http://hl7.org/fhir/StructureDefinition/Medication")


def _naming(resource: Resource, *urls: str) -> Resource:
    return edited(resource, lambda r: r.setdefault("meta", {}).update(profile=list(urls)))
