"""What base R4 says of an element, read from the typed models: only to choose what to break, never to judge."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args, get_origin

from pydantic import BaseModel


@dataclass(frozen=True, slots=True)
class Known:
    """An element: its type, whether it repeats or must be there, and what its codes and references may be."""

    type: str
    repeats: bool
    needed: bool
    coded: bool
    targets: tuple[str, ...]
    model: str


def known(kind: str, names: Sequence[str]) -> Known | None:
    """The element reached from a resource type by element names; None inside contained resources and extensions."""
    model = _load(f"fhir.resources.R4B.{kind.lower()}.{kind}")
    for index, name in enumerate(names):
        element = _elements(model).get(name)
        if element is None or name in ("contained", "extension"):
            return None
        if index == len(names) - 1:
            return element
        if not element.model:
            return None
        model = _load(element.model)
    return None


@cache
def _elements(model: type[BaseModel]) -> dict[str, Known]:
    return {field.alias or name: _known(field) for name, field in model.model_fields.items() if name != "fhir_comments"}


def _known(field: Any) -> Known:
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    held, repeats = _without_none(field.annotation), False
    if get_origin(held) is list:
        held, repeats = _without_none(get_args(held)[0]), True
    model = str(getattr(held, "_model_klass", "") or "")
    mark = next((type(m).__name__ for m in getattr(held, "__metadata__", ())), "")
    return Known(
        type=model.rsplit(".", 1)[-1] if model else mark.lower() or getattr(held, "__name__", "").lower(),
        repeats=repeats,
        needed=bool(extra.get("element_required")) or field.is_required(),
        coded=bool(extra.get("enum_values")),
        targets=tuple(str(t) for t in extra.get("enum_reference_types") or ()),
        model=model,
    )


def _without_none(annotation: Any) -> Any:
    if hasattr(annotation, "__metadata__"):
        return annotation
    options = [a for a in get_args(annotation) if a is not type(None)]
    return options[0] if options and type(None) in get_args(annotation) else annotation


@cache
def _load(name: str) -> type[BaseModel]:
    module, _, model = name.rpartition(".")
    return getattr(importlib.import_module(module), model)
