"""Validation errors of typed models as problems: a sentence to act on and a path, never the model's own dump."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

from service.errors import Category, Problem

_PLAIN = {
    "missing": "This element is required.",
    "extra_forbidden": "There is no such element here.",
    "string_pattern_mismatch": "The text does not have the form this element must have.",
    "string_type": "Text is needed.",
    "list_type": "A list is needed.",
    "tuple_type": "A list is needed.",
    "dict_type": "An object is needed.",
    "model_attributes_type": "An object is needed.",
    "model_type": "An object is needed.",
    "decimal_parsing": "A number is needed.",
    "decimal_type": "A number is needed.",
    "int_parsing": "A whole number is needed.",
    "int_type": "A whole number is needed.",
    "bool_type": "true or false is needed.",
    "bool_parsing": "true or false is needed.",
    "date_from_datetime_parsing": "A date is needed.",
    "date_parsing": "A date is needed.",
    "datetime_parsing": "A date with time is needed.",
    "datetime_from_date_parsing": "A date with time is needed.",
}


def problems_of(error: ValidationError, path: str = "") -> list[Problem]:
    """One problem per error, located below `path` (FHIRPath, or the field path of plain messages)."""
    return [
        Problem(Category.INVALID, _sentence(e["type"], e["msg"]), _expression(path, e["loc"]))
        for e in error.errors(include_url=False, include_input=False, include_context=False)
    ]


def _sentence(kind: str, message: str) -> str:
    if kind in _PLAIN:
        return _PLAIN[kind]
    text = message.removeprefix("Value error, ").strip() or "The value is not valid"
    text = text[0].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _expression(path: str, location: Iterable[Any]) -> str:
    text = path
    for step in location:
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.removeprefix(".")
