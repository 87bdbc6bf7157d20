"""What the translated part of FHIRPath does with collections: steps, operators, functions.

A collection is a list; items are JSON values. Whatever would need the type of an element raises NotKnown.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.fhir.conformance.base import is_type
from service.fhir.conformance.moments import compare, is_moment
from service.fhir.json_parts import is_list, is_object

Items = list[Any]


class NoAnswer(Exception):
    """An expression cannot be evaluated."""


class NotKnown(Exception):
    """The translation does not know this; the library may."""


@dataclass(slots=True)
class State:
    """What an expression can refer to beside its input: `$this` and `%resource`."""

    this: Any
    root: dict[str, Any]


def step(items: Items, name: str) -> Items:
    """The children of that name; a choice element goes by its name without the type."""
    found: Items = []
    for item in items:
        if not is_object(item):
            continue
        held = item.get(name)
        if held is None:
            held = _choice(item, name)
        if is_list(held):
            found.extend(one for one in held if one is not None)
        elif held is not None:
            found.append(held)
    return found


def _choice(item: dict[str, Any], name: str) -> Any:
    """The element of a choice, or what stands in for a primitive that has no value."""
    size = len(name)
    for key in item:
        if key.startswith(name) and len(key) > size and key[size].isupper() and _is_suffix(key[size:]):
            return item[key]
    return item.get(f"_{name}")


def _is_suffix(text: str) -> bool:
    return is_type(text) or is_type(text[0].lower() + text[1:])


def single(items: Items) -> Any:
    """The only item of a collection."""
    if len(items) != 1:
        raise NoAnswer("one item is needed here")
    return items[0]


def truth(items: Items) -> bool | None:
    """A collection as true, false or unknown: one item that is no boolean counts as true."""
    if not items:
        return None
    return single(items) is not False


def equal(left: Items, right: Items) -> Items:
    """The operator `=`."""
    if not left or not right:
        return []
    if len(left) != len(right):
        return [False]
    return [all(_same(a, b) for a, b in zip(left, right, strict=True))]


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    if isinstance(a, str) and isinstance(b, str) and a != b and "T" in a and is_moment(a) and is_moment(b):
        return compare(a, b) == 0
    return a == b


def unequal(left: Items, right: Items) -> Items:
    """The operator `!=`."""
    return negated(equal(left, right))


def negated(items: Items) -> Items:
    """The function `not()`."""
    held = truth(items)
    return [] if held is None else [not held]


def ordering(test: Callable[[int], bool]) -> Callable[[Items, Items], Items]:
    """An operator of order: `test` sees -1, 0 or 1."""

    def operator(left: Items, right: Items) -> Items:
        if not left or not right:
            return []
        order = _order(single(left), single(right))
        return [] if order is None else [test(order)]

    return operator


def _order(a: Any, b: Any) -> int | None:
    if isinstance(a, bool) or isinstance(b, bool) or is_object(a) or is_object(b):
        raise NotKnown
    if isinstance(a, str) and isinstance(b, str):
        if is_moment(a) and is_moment(b):
            return compare(a, b)
        return -1 if a < b else int(a > b)
    if isinstance(a, str) or isinstance(b, str):
        raise NoAnswer("a text and a number have no order")
    return -1 if a < b else int(a > b)


def both(left: Items, right: Callable[[], Items]) -> Items:
    """The operator `and`."""
    one = truth(left)
    if one is False:
        return [False]
    other = truth(right())
    if other is False:
        return [False]
    return [] if one is None or other is None else [True]


def either(left: Items, right: Callable[[], Items]) -> Items:
    """The operator `or`."""
    one = truth(left)
    if one is True:
        return [True]
    other = truth(right())
    if other is True:
        return [True]
    return [] if one is None or other is None else [False]


def one_of_two(left: Items, right: Callable[[], Items]) -> Items:
    """The operator `xor`."""
    one, other = truth(left), truth(right())
    return [] if one is None or other is None else [one is not other]


def implied(left: Items, right: Callable[[], Items]) -> Items:
    """The operator `implies`."""
    one = truth(left)
    if one is False:
        return [True]
    other = truth(right())
    if other is True:
        return [True]
    return [] if one is None or other is None else [False]


def union(left: Items, right: Items) -> Items:
    """The operator `|`: every item once."""
    found: Items = []
    for item in [*left, *right]:
        if not any(_same(item, known) for known in found):
            found.append(item)
    return found


def member(left: Items, right: Items) -> Items:
    """The operator `in`."""
    return [any(_same(single(left), item) for item in right)] if left else []


def summed(sign: int) -> Callable[[Items, Items], Items]:
    """The operators `+` and `-` on numbers."""

    def operator(left: Items, right: Items) -> Items:
        if not left or not right:
            return []
        a, b = single(left), single(right)
        if not (_is_number(a) and _is_number(b)):
            raise NotKnown
        return [a + sign * b]

    return operator


def joined(left: Items, right: Items) -> Items:
    """The operator `&`: text side by side, nothing counting as no text."""
    return ["".join(_word(single(part)) for part in (left, right) if part)]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool)


def _word(value: Any) -> str:
    if not isinstance(value, str):
        raise NotKnown
    return value


def of_type(items: Items, name: str) -> Items:
    """The items of a type; only whole resources say of themselves what they are."""
    if any(not is_object(item) or "resourceType" not in item for item in items):
        raise NotKnown
    return [item for item in items if item["resourceType"] == name]


def _on_text(work: Callable[[str, str], Any]) -> Callable[[Items, Items], Items]:
    def function(items: Items, other: Items) -> Items:
        if not items or not other:
            return []
        return [work(_word(single(items)), _word(single(other)))]

    return function


def text(items: Items) -> Items:
    """The function `toString()`."""
    if not items:
        return []
    held = single(items)
    if isinstance(held, bool):
        return ["true" if held else "false"]
    if isinstance(held, str | int):
        return [str(held)]
    raise NotKnown


def _distinct(items: Items) -> Items:
    return [len(union(items, [])) == len(items)]


def _length(items: Items) -> Items:
    return [len(_word(single(items)))] if items else []


def _trim(items: Items) -> Items:
    return [_word(single(items)).strip()] if items else []


def _has_value(items: Items) -> Items:
    return [len(items) == 1 and not is_object(items[0])]


PLAIN: dict[str, Callable[[Items], Items]] = {
    "empty": lambda items: [not items],
    "exists": lambda items: [bool(items)],
    "not": negated,
    "count": lambda items: [len(items)],
    "first": lambda items: items[:1],
    "last": lambda items: items[-1:],
    "distinct": lambda items: union(items, []),
    "isDistinct": _distinct,
    "hasValue": _has_value,
    "length": _length,
    "toString": text,
    "trim": _trim,
}
"""Functions without an argument."""

ON_VALUE: dict[str, Callable[[Items, Items], Items]] = {
    "startsWith": _on_text(lambda held, other: held.startswith(other)),
    "endsWith": _on_text(lambda held, other: held.endswith(other)),
    "contains": _on_text(lambda held, other: other in held),
    "matches": _on_text(lambda held, form: re.search(form, held) is not None),
    "intersect": lambda items, other: union([i for i in items if any(_same(i, o) for o in other)], []),
}
"""Functions whose argument is a value of the surroundings."""

ORDER = {
    "<": ordering(lambda order: order < 0),
    ">": ordering(lambda order: order > 0),
    "<=": ordering(lambda order: order <= 0),
    ">=": ordering(lambda order: order >= 0),
}
LOGIC = {"and": both, "or": either, "xor": one_of_two, "implies": implied}
VALUES: dict[str, Callable[[Items, Items], Items]] = {
    **ORDER,
    "=": equal,
    "!=": unequal,
    "|": union,
    "in": member,
    "+": summed(1),
    "-": summed(-1),
    "&": joined,
}
