"""The modifier contract: what each element that changes the meaning of a resource does to the case.

R4 marks these elements (https://hl7.org/fhir/R4/conformance-rules.html#isModifier); `modifier_rows.py` has a row for each
of them in every type that is accepted. A resource is held against it before anything else is done with it, and again
when a fact is read from it, so that what an earlier release stored counts as nothing where today's would be refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.fhir.build import Resource
from service.fhir.codes import codings_of
from service.fhir.conformance.expression import expression_of
from service.fhir.conformance.issue import ERROR, Issue
from service.fhir.json_parts import is_list, is_object
from service.fhir.modifier_rows import MADE_HERE, ROWS
from service.fhir.profile_index import profile_of

UNKNOWN = ("implicitRules", "modifierExtension")
"""Elements that may change the meaning of everything beside them; none is known here."""
UNKNOWN_WORDS = "an element that changes its meaning and is not known here"


class ModifierEffect(StrEnum):
    """What a value of a modifier element does. The later ones go before the earlier ones."""

    COUNTS = "takes part in the case"
    KEPT = "is kept; no decision reads it"
    MOVES = "is a move of the referral, by the table of its states"
    CLOSES = "opens nothing and closes what is proposed"
    NOT_COUNTED = "is kept and said, not counted"
    WITHDRAWS = "withdraws what was told"
    REFUSED = "is refused"


_WEIGHT = list(ModifierEffect)


@dataclass(frozen=True, slots=True)
class Standing:
    """What the modifiers of a resource come to: the gravest effect, the element and the value that have it."""

    effect: ModifierEffect
    element: str = ""
    value: str = ""


def modifier_issues(resource: Resource, kind: str) -> list[Issue]:
    """Everything in a resource of a type that is held for which the contract refuses it."""
    found = [Issue(ERROR, "invalid", place, f"«{name}» {_REFUSED[name]}") for place, name in _unknown(resource, kind)]
    for standing in _standings(resource, kind):
        if standing.effect is ModifierEffect.REFUSED:
            words = f"«{standing.value}» is refused here: {_why(resource, kind, standing)}"
            found.append(Issue(ERROR, "invalid", f"{kind}.{standing.element}", words))
    return found


def bundle_issues(bundle: Resource) -> list[Issue]:
    """Unknown modifiers of a Bundle itself and of its entries; the resources in it are judged one by one."""
    entries = bundle.get("entry")
    bare: Resource = {key: held for key, held in bundle.items() if key != "entry"}
    bare["entry"] = [
        {key: held for key, held in one.items() if key != "resource"} if is_object(one) else one
        for one in (entries if is_list(entries) else [])
    ]
    return [Issue(ERROR, "invalid", place, f"«{name}» {_REFUSED[name]}") for place, name in _unknown(bare, "Bundle")]


def standing_of(resource: Resource) -> Standing:
    """What the modifiers of a resource come to, in every place; the first of equal ones."""
    kind = str(resource.get("resourceType"))
    for _, name in _unknown(resource, kind):
        return Standing(ModifierEffect.REFUSED, name, UNKNOWN_WORDS)
    found = list(_standings(resource, kind))
    return max(found, key=lambda s: _WEIGHT.index(s.effect), default=Standing(ModifierEffect.COUNTS))


_REFUSED = {
    "modifierExtension": "may change the meaning of what it stands in, and none is known here.",
    "implicitRules": "names rules needed to understand the resource, and none are known here.",
}


def _unknown(value: Any, kind: str) -> list[tuple[str, str]]:
    """(FHIRPath, name) of every element that may change the meaning of all beside it, in contained resources as well."""
    found: list[tuple[str, str]] = []
    _search(value, "", found)
    return [(f"{kind}{expression_of(path, kind)}", name) for path, name in found]


def _search(value: Any, path: str, found: list[tuple[str, str]]) -> None:
    if value.__class__ is dict:
        for key, held in value.items():
            if key in UNKNOWN or key == "_implicitRules":
                found.append((f"{path}.{key.removeprefix('_')}", key.removeprefix("_")))
            elif held.__class__ is dict or held.__class__ is list:
                _search(held, f"{path}.{key}", found)
    else:
        for index, held in enumerate(value):
            if held.__class__ is dict or held.__class__ is list:
                _search(held, f"{path}[{index}]", found)


def _standings(resource: Resource, kind: str) -> Iterator[Standing]:
    """What each modifier element at the top of a resource does, by the row that applies to it."""
    elements = _ELEMENTS.get(kind)
    if not elements:
        return
    profile = (profile_of(resource) or "").rpartition("/")[2]
    for element, rows in elements.items():
        row = next(r for r in rows if not r.of or profile in r.of)
        for value in _values(resource, element):
            effect = row.effects.get(value) or row.effects.get("*")
            if effect is not None:
                yield Standing(ModifierEffect[effect], element.removesuffix("[x]"), value)


def _why(resource: Resource, kind: str, standing: Standing) -> str:
    profile = (profile_of(resource) or "").rpartition("/")[2]
    rows = next(rows for element, rows in _ELEMENTS[kind].items() if element.removesuffix("[x]") == standing.element)
    row = next(r for r in rows if not r.of or profile in r.of)
    return row.why_not(standing.value)


def _values(resource: Resource, element: str) -> list[str]:
    """The values of an element as the rows name them: codes, `true` and `false`, `a time`, the type of a link."""
    if element.endswith("[x]"):
        stem = element.removesuffix("[x]")
        if f"{stem}DateTime" in resource or f"_{stem}DateTime" in resource:
            return ["a time"]
        element = f"{stem}Boolean"
    held = resource.get(element)
    if held is None:
        return []
    if isinstance(held, bool):
        return ["true" if held else "false"]
    if isinstance(held, str):
        return [held]
    if is_object(held):
        return [str(c.get("code")) for c in codings_of(held)]
    if is_list(held):
        return [str(one.get("type")) for one in held if is_object(one)]
    return []


def _by_type() -> dict[str, dict[str, list[Any]]]:
    found: dict[str, dict[str, list[Any]]] = {}
    for row in ROWS:
        if row in MADE_HERE:
            continue
        kind, _, element = row.path.partition(".")
        if element and "." not in element:
            found.setdefault(kind, {}).setdefault(element, []).append(row)
    return found


_ELEMENTS = _by_type()
"""The rows by type and element, those of a kind of resource before those of all others."""
