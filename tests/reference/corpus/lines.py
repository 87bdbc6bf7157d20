"""One thing that a profile asks for is broken in each.

Every line of every profile is broken at least once where a right resource is at hand, so that a profile line
that holds nothing is noticed.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.broken_rules import broken
from tests.reference.corpus.case import Case

_CHOICES = ("value[x]", "effective[x]", "timing[x]", "module[x]")


KIND = "line of the profile"
"""What this family is called."""


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """For each line of a profile, wrong copies of the first right resource that has what the line is about."""
    lines = case.definition["differential"]["element"]
    for element in lines:
        for how in (_without, _with_another_value, _out_of_bounds, _too_coarse):
            for resource in case.right:
                wrong = how(element, resource, lines)
                if wrong is not None:
                    yield f"{element['id']} {how.__name__.strip('_').replace('_', ' ')}", wrong
                    break
        for rule in element.get("constraint", []):
            wrong = broken(rule["key"], list(case.right))
            if wrong is not None:
                yield f"{element['id']} rule {rule['key']}", wrong


def _without(element: Resource, resource: Resource, all_elements: list[Resource]) -> Resource | None:
    """A copy without an element that must be there."""
    if not element.get("min"):
        return None
    copied = copy.deepcopy(resource)
    spots = list(_spots(copied, element["id"], all_elements))
    for holder, key in spots:
        if isinstance(holder, list):
            holder[key] = None
        else:
            holder.pop(key, None)
            holder |= {} if holder else {"id": "emptied"}
    return _tidy(copied) if spots else None


def _with_another_value(element: Resource, resource: Resource, all_elements: list[Resource]) -> Resource | None:
    """A copy in which a fixed, patterned or bound value is another one of the same form."""
    patterned = [k for k in element if k.startswith(("fixed", "pattern"))]
    if not patterned and "binding" not in element:
        return None
    if ":" in element["id"] and _is_discriminator(element, all_elements):
        return None
    copied = copy.deepcopy(resource)
    spots = [s for s in _spots(copied, element["id"], all_elements) if _other(s[0][s[1]]) is not None]
    for holder, key in spots:
        holder[key] = _other(holder[key])
    return copied if spots else None


def _out_of_bounds(element: Resource, resource: Resource, all_elements: list[Resource]) -> Resource | None:
    """A copy with a number that cannot be, where an invariant bounds it."""
    if not any(c["key"].endswith("-range") for c in element.get("constraint", [])):
        return None
    copied = copy.deepcopy(resource)
    spots = list(_spots(copied, element["id"], all_elements))
    for holder, key in spots:
        if isinstance(holder[key], dict):
            holder[key]["value"] = Decimal("99999")
        else:
            holder[key] = 99999
    return copied if spots else None


def _too_coarse(element: Resource, resource: Resource, all_elements: list[Resource]) -> Resource | None:
    """A copy with a date known only to the month, where an invariant asks for the day."""
    if not any(c["key"].endswith("-day") for c in element.get("constraint", [])):
        return None
    copied = copy.deepcopy(resource)
    spots = [s for s in _spots(copied, element["id"], all_elements) if isinstance(s[0][s[1]], str)]
    for holder, key in spots:
        holder[key] = holder[key][:7]
    return copied if spots else None


def _is_discriminator(element: Resource, all_elements: list[Resource]) -> bool:
    """Whether the element tells its slice apart: another value there is another slice, not an error."""
    owner, _, last = element["id"].rpartition(".")
    entry = re.sub(r":[^.:]+$", "", owner)
    return any(
        e["id"] == entry and last in (d["path"] for d in e.get("slicing", {}).get("discriminator", []))
        for e in all_elements
    )


def _spots(resource: Resource, element_id: str, all_elements: list[Resource]) -> Iterator[tuple[Any, Any]]:
    """(holder, key) of every value the element is about; slices are found by their pattern."""
    steps = element_id.split(".")[1:]
    yield from _descend(resource, steps, element_id.split(".")[0], all_elements)


def _descend(holder: Any, steps: list[str], so_far: str, all_elements: list[Resource]) -> Iterator[tuple[Any, Any]]:
    if not steps or not isinstance(holder, dict):
        return
    step, *rest = steps
    name, _, piece = step.partition(":")
    here = f"{so_far}.{step}"
    for key in _keys(holder, name):
        held = holder[key]
        for owner, index in [(held, i) for i in range(len(held))] if isinstance(held, list) else [(holder, key)]:
            if piece and not _in_slice(owner[index], here, all_elements):
                continue
            if rest:
                yield from _descend(owner[index], rest, here, all_elements)
            else:
                yield owner, index


def _keys(holder: Resource, name: str) -> list[str]:
    if name in _CHOICES:
        stem = name.removesuffix("[x]")
        return [k for k in holder if re.fullmatch(rf"{stem}[A-Z]\w*", k)]
    return [name] if name in holder else []


def _in_slice(value: Any, slice_id: str, all_elements: list[Resource]) -> bool:
    entry = next(e for e in all_elements if e["id"] == slice_id.rsplit(":", 1)[0])
    path = entry["slicing"]["discriminator"][0]["path"]
    teller = next(e for e in all_elements if e["id"] == f"{slice_id}.{path}")
    wanted = next(v for k, v in teller.items() if k.startswith("pattern"))
    held = value.get(path) if isinstance(value, dict) else None
    if isinstance(wanted, str):
        return held == wanted
    asked = wanted["coding"][0]
    codings = held.get("coding", []) if isinstance(held, dict) else []
    return any(c.get("system") == asked["system"] and c.get("code") == asked["code"] for c in codings)


def _other(value: Any) -> Any:
    """Another value of the same form."""
    if isinstance(value, str):
        return "on-hold" if value != "on-hold" else "failed"
    if isinstance(value, dict) and value.get("coding"):
        return {**value, "coding": [{"system": "https://elsewhere.example/codes", "code": "something-else"}]}
    if isinstance(value, dict) and "code" in value:
        return {**value, "code": "kg" if value["code"] != "kg" else "mm"}
    return None


def _tidy(value: Any) -> Any:
    """Without the emptied places: FHIR JSON has no nulls and no empty arrays or objects."""
    if isinstance(value, dict):
        held = {k: _tidy(v) for k, v in value.items()}
        return {k: v for k, v in held.items() if v not in (None, [], {})}
    if isinstance(value, list):
        return [t for t in map(_tidy, value) if t not in (None, [], {})]
    return value
