"""JSON types and reference targets of a resource's elements, before the typed models see them.

The typed models turn «"5"» into 5 and «"yes"» into true, and the text stored would be no FHIR; so every
element must have the JSON type of its datatype (https://hl7.org/fhir/R4/json.html#primitive), and a
literal reference must lead to a type that the element may refer to.
"""

from __future__ import annotations

import importlib
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from service.errors import Category, Problem

_LITERAL = re.compile(r"(?:https?://.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/.+)?")
_WORDS = {
    "object": "An object is needed.",
    "boolean": "Either true or false is needed.",
    "integer": "A whole number is needed.",
    "decimal": "A number is needed.",
    "text": "Text is needed.",
}
_RESOURCES = ("contained", "resource")


@dataclass(frozen=True, slots=True)
class Element:
    """An element of a type: its JSON type, whether it repeats, its model if complex, its reference targets."""

    json_type: str
    repeats: bool
    model: str = ""
    targets: tuple[str, ...] = ()


def type_problems(value: dict[str, Any], model: type[BaseModel], path: str) -> list[Problem]:
    """Every element below `value` with a JSON type or a reference target that its datatype does not have."""
    found: list[Problem] = []
    known = _elements(model)
    for key, held in value.items():
        element = known.get(key)
        if element is None or held is None:
            continue
        where = f"{path}.{key}"
        if element.repeats != isinstance(held, list):
            found.append(_wrong("A list is needed." if element.repeats else _WORDS[element.json_type], where))
            continue
        items = held if isinstance(held, list) else [held]
        for index, item in enumerate(items):
            spot = f"{where}[{index}]" if element.repeats else where
            found.extend(_item(key, item, element, spot))
    return found


def _item(key: str, item: Any, element: Element, path: str) -> list[Problem]:
    if item is None:
        return []
    if not _is(item, element.json_type):
        return [_wrong(_WORDS[element.json_type], path)]
    if key in _RESOURCES and isinstance(item, dict):
        return _inner_resource(item, path)
    if not element.model:
        return []
    found = type_problems(item, _load(element.model), path)
    target = _LITERAL.fullmatch(item["reference"]) if isinstance(item.get("reference"), str) else None
    if element.targets and target and target[1] not in element.targets:
        sentence = f"«{item['reference']}» is not a {' or '.join(element.targets)}."
        found.append(_wrong(sentence, f"{path}.reference"))
    return found


def _inner_resource(item: dict[str, Any], path: str) -> list[Problem]:
    """A contained resource: of a type that R4 has."""
    kind = item.get("resourceType")
    if not isinstance(kind, str) or not re.fullmatch(r"[A-Z][A-Za-z]+", kind):
        return [_wrong("«resourceType» is required.", f"{path}.resourceType")]
    try:
        model = _load(f"fhir.resources.R4B.{kind.lower()}.{kind}")
    except (ImportError, AttributeError):
        return [_wrong(f"«{kind}» is not a resource type.", f"{path}.resourceType")]
    return type_problems(item, model, path)


def _is(item: Any, json_type: str) -> bool:
    if json_type == "object":
        return isinstance(item, dict)
    if json_type == "boolean":
        return isinstance(item, bool)
    if json_type == "integer":
        return isinstance(item, int) and not isinstance(item, bool)
    if json_type == "decimal":
        return isinstance(item, int | Decimal) and not isinstance(item, bool)
    return isinstance(item, str)


def _wrong(message: str, path: str) -> Problem:
    return Problem(Category.INVALID, message, path)


@cache
def _elements(model: type[BaseModel]) -> dict[str, Element]:
    """The elements of a model by their JSON names."""
    found: dict[str, Element] = {}
    for name, field in model.model_fields.items():
        if name != "fhir_comments":
            extra = field.json_schema_extra
            targets = extra.get("enum_reference_types") if isinstance(extra, dict) else None
            found[field.alias or name] = _element(field.annotation, targets)
    return found


def _element(annotation: Any, targets: Any) -> Element:
    held, repeats = _without_none(annotation), False
    if get_origin(held) is list:
        held, repeats = _without_none(get_args(held)[0]), True
    model = getattr(held, "_model_klass", None)
    if model:
        allowed = tuple(str(t) for t in targets or () if t != "Resource")
        return Element("object", repeats, str(model), allowed if targets and "Resource" not in targets else ())
    base = getattr(held, "__origin__", held)
    names = {bool: "boolean", int: "integer", Decimal: "decimal"}
    return Element(names.get(base, "text"), repeats)


def _without_none(annotation: Any) -> Any:
    """`X` of `X | None`; an annotated type as it is."""
    if hasattr(annotation, "__metadata__"):
        return annotation
    options = [a for a in get_args(annotation) if a is not type(None)]
    return options[0] if options and type(None) in get_args(annotation) else annotation


@cache
def _load(name: str) -> type[BaseModel]:
    module, _, model = name.rpartition(".")
    return getattr(importlib.import_module(module), model)
