"""Validation errors of the models of plain messages as problems: a sentence and a path, never the model's own dump."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from service.errors import Category, Problem

_PLAIN = {
    "json_invalid": "An object is needed.",
    "json_type": "An object is needed.",
    "model_validation_format": "An object is needed.",
    "int_from_float": "A whole number is needed.",
    "string_unicode": "The text holds a character that is none.",
    "date_from_datetime_inexact": "A date is needed.",
    "date_type": "A date is needed.",
    "datetime_type": "A date with time is needed.",
    "string_too_short": "The text is empty.",
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
    "bool_type": "Either true or false is needed.",
    "bool_parsing": "Either true or false is needed.",
    "date_from_datetime_parsing": "A date is needed.",
    "date_parsing": "A date is needed.",
    "datetime_parsing": "A date with time is needed.",
    "datetime_from_date_parsing": "A day of the calendar is needed, such as 2026-10-04.",
}
_NAMED = {
    "missing": "«{}» is required.",
    "extra_forbidden": "There is no element «{}» here.",
}
_NUMBERED = {
    "string_too_long": ("max_length", "The text is longer than {} characters."),
    "too_long": ("max_length", "The list holds more than {} entries."),
    "greater_than_equal": ("ge", "A number of {} or more is needed."),
    "less_than_equal": ("le", "A number of {} or less is needed."),
    "literal_error": ("expected", "One of {} is needed."),
}
_INNER = frozenset({"root", "__root__"})


def problems_of(error: ValidationError, path: str = "", forms: Mapping[str, str] | None = None) -> list[Problem]:
    """One problem per error, located below `path`, the field path of the message.

    `forms` says in words what text of a pattern looks like.
    """
    forms = forms or {}
    return [
        Problem(Category.INVALID, _sentence(e, forms), _expression(path, e["loc"]))
        for e in error.errors(include_url=False, include_input=False)
    ]


def _sentence(error: ErrorDetails, forms: Mapping[str, str]) -> str:
    kind, message, context = error["type"], error["msg"], error.get("ctx", {})
    if kind in _NAMED and error["loc"]:
        return _NAMED[kind].format(error["loc"][-1])
    if context.get("pattern") in forms:
        return forms[context["pattern"]]
    if kind in _NUMBERED:
        key, sentence = _NUMBERED[kind]
        return sentence.format(str(context[key]).replace("'", ""))
    if kind in _PLAIN:
        return _PLAIN[kind]
    text = message.removeprefix("Value error, ").strip() or "The value is not valid"
    text = text[0].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _expression(path: str, location: Iterable[Any]) -> str:
    text = path
    for step in location:
        if step in _INNER:
            continue
        text += f"[{step}]" if isinstance(step, int) else f".{step}"
    return text.removeprefix(".")
