"""How much one body may hold, so that reading and checking it costs little whatever was sent.

The bounds are common practice, no source: several times what real senders send. A transaction of 500 entries stays below them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from service.errors import Category, Refused, refuse
from service.fhir.json_parts import is_object

MAX_DEPTH = 40
MAX_VALUES = 50_000
MAX_KEYS = 200
MAX_KEY_LENGTH = 200
MAX_REPETITIONS = 500
MAX_MARKS = 50_000
"""Signs that begin a tag or an entity, in all texts of a body together: what a narrative costs to check grows with them."""
_STRING = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"?', re.DOTALL)
_OPENERS = (b",", b"[", b"{")
_MARKS = (b"<", b"&", b"\\u003c", b"\\u003C", b"\\u0026")


def check_amount(text: bytes) -> None:
    """Refuse, before anything is parsed, a text of too many values or too much markup."""
    if _opened(text) > MAX_VALUES and _opened(_STRING.sub(b"", text)) > MAX_VALUES:
        raise refuse(Category.TOO_LARGE, f"The body holds more than {MAX_VALUES} values; send it in parts.")
    if sum(text.count(mark) for mark in _MARKS) > MAX_MARKS:
        raise refuse(Category.TOO_LARGE, f"The texts of the body hold more than {MAX_MARKS} tags and entities.")


def _opened(text: bytes) -> int:
    """At most so many values and one more: each follows a comma or an opening bracket."""
    return sum(text.count(opener) for opener in _OPENERS)


def check_shape(root: dict[str, Any], is_bounded: bool) -> None:
    """Refuse what is nested too deeply; where the text `is_bounded`, also long lists and objects of many keys."""
    level: list[tuple[str, Any]] = [("", root)]
    depth = 0
    while level:
        depth += 1
        if depth > MAX_DEPTH:
            raise too_deep()
        if is_bounded:
            for name, value in level:
                _check_length(name, value, is_entries=depth == 2 and name == "entry")
        level = [(name, child) for item in level for name, child in _children(item) if isinstance(child, dict | list)]


def too_deep() -> Refused:
    """The refusal of what is nested too deeply."""
    return refuse(Category.NOT_PARSEABLE, f"The body is nested deeper than {MAX_DEPTH} levels.")


def _children(item: tuple[str, Any]) -> Iterator[tuple[str, Any]]:
    name, value = item
    return iter(value.items()) if is_object(value) else ((name, child) for child in value)


def _check_length(name: str, value: dict[str, Any] | list[Any], is_entries: bool) -> None:
    """Entries of a Bundle have a limit of their own."""
    if isinstance(value, dict):
        if len(value) > MAX_KEYS:
            raise refuse(Category.TOO_LARGE, f"A JSON object may hold {MAX_KEYS} keys.", name)
        if any(len(key) > MAX_KEY_LENGTH for key in value):
            raise refuse(Category.TOO_LARGE, f"A key may be {MAX_KEY_LENGTH} characters long.", name)
    elif len(value) > MAX_REPETITIONS and not is_entries:
        raise refuse(Category.TOO_LARGE, f"A list may hold {MAX_REPETITIONS} items.", name)
