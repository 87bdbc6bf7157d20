"""Slices that are missing, there too often, unlike themselves inside, or unknown in a closed slicing."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

from service.fhir.build import Resource
from service.fhir.codes import LOCAL
from tests.reference.corpus.case import Case
from tests.reference.corpus.places import edited

KIND = "broken slice"


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """For each slice of the profile that a right resource holds: each way in which it can be broken."""
    lines = case.definition["differential"]["element"]
    for entry in (e for e in lines if "slicing" in e):
        by = entry["slicing"]["discriminator"][0]["path"]
        for line in (e for e in lines if e["id"].startswith(f"{entry['id']}:") and "sliceName" in e):
            if line["id"].count(".") != entry["id"].count("."):
                continue
            wanted = next(v for e in lines if e["id"] == f"{line['id']}.{by}" for k, v in e.items() if "pattern" in k)
            yield from _of_slice(case, entry, line, by, wanted)
        yield from _of_slicing(case, entry, by)


def _of_slice(case: Case, entry: Resource, line: Resource, by: str, wanted: Any) -> Iterator[tuple[str, Resource]]:
    key, name = entry["id"].partition(".")[2], line["sliceName"]
    for resource in case.right:
        index = next((i for i, e in enumerate(resource.get(key, ())) if _is(e.get(by), wanted)), None)
        if index is not None:
            break
    else:
        return
    yield f"{key}:{name} missing", edited(resource, lambda r: r[key].pop(index) if len(r[key]) > 1 else r.pop(key))
    yield f"{key}:{name} twice", edited(resource, lambda r: r[key].append(copy.deepcopy(r[key][index])))
    inner = next((k for k in resource[key][index] if k.startswith("value")), None)
    if inner:
        without = {k: v for k, v in resource[key][index].items() if k != inner}
        yield f"{key}:{name} without its value", edited(resource, lambda r: _replace(r, key, index, without))
        other: dict[str, Any] = {"valueString": "three"} if inner != "valueString" else {"valueBoolean": True}
        yield (
            f"{key}:{name} value of another type",
            edited(resource, lambda r: _replace(r, key, index, {**without, **other})),
        )
        yield (
            f"{key}:{name} two values",
            edited(resource, lambda r: _replace(r, key, index, {**r[key][index], **other})),
        )


def _of_slicing(case: Case, entry: Resource, by: str) -> Iterator[tuple[str, Resource]]:
    """An item that belongs to no slice: wrong where the slicing is closed, right where it is open."""
    key = entry["id"].partition(".")[2]
    resource = next((r for r in case.right if r.get(key)), None)
    if resource is None or by == "linkId":
        return
    closed = "closed" if entry["slicing"]["rules"] == "closed" else "open"
    for name, coding in {
        "a code of ours": {"system": LOCAL, "code": "oral-appliance"},
        "a code of others": {"system": "https://elsewhere.example/codes", "code": "else"},
    }.items():
        item = copy.deepcopy(resource[key][0]) | {by: {"coding": [coding]}}
        yield f"{key} unknown item in {closed} slicing, {name}", edited(resource, lambda r, i=item: r[key].append(i))
    yield f"{key} {closed} slicing in reverse order", edited(resource, lambda r: r[key].reverse())


def _replace(resource: Resource, key: str, index: int, item: dict[str, Any]) -> None:
    resource[key][index] = item


def _is(held: Any, wanted: Any) -> bool:
    if isinstance(wanted, str) or not isinstance(held, dict):
        return held == wanted
    asked = wanted["coding"][0]
    return any((c.get("system"), c.get("code")) == (asked["system"], asked["code"]) for c in held.get("coding", ()))
