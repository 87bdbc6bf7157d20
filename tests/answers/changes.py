"""A message changed in one thing each, so that it is refused, or taken with another meaning."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

from service.fhir.json_text import load

EXAMPLES = Path(__file__).parents[2] / "examples"
Place = tuple[str | int, ...]


def example(name: str) -> dict[str, Any]:
    """A message of the examples; empty where an earlier tree has none."""
    file = EXAMPLES / f"{name}.json"
    return load(file.read_text()) if file.exists() else {}


def leaves(body: Any, place: Place = ()) -> Iterator[tuple[Place, Any]]:
    """Every value that is no object and no list, with the place where it stands; of a list the first item alone."""
    if isinstance(body, dict):
        for name, value in body.items():
            yield from leaves(value, (*place, name))
    elif isinstance(body, list):
        if body:
            yield from leaves(body[0], (*place, 0))
    else:
        yield place, body


def other_values(value: Any) -> tuple[Any, ...]:
    """Values that do not fit where `value` stands, or at its edge."""
    if isinstance(value, bool):
        return ("yes", 1)
    if isinstance(value, int | Decimal | float):
        return (-1, 100_000, "many")
    if isinstance(value, str) and value[:4].isdigit() and value[4:5] == "-":
        return ("2026-02-30", "2031-01-01", "yesterday")
    return ("", "x" * 300, 7)


def changed(body: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The body without each of its values in turn, and with others in their place; what was changed, in words."""
    for place, value in leaves(body):
        name = ".".join(map(str, place))
        yield f"without {name}", _with(body, place, None, gone=True)
        for other in other_values(value):
            yield f"{name} is {str(other)[:20]}", _with(body, place, other)


def _with(body: dict[str, Any], place: Place, value: Any, gone: bool = False) -> dict[str, Any]:
    made = copy.deepcopy(body)
    inside: Any = made
    for step in place[:-1]:
        inside = inside[step]
    if gone:
        del inside[place[-1]]
    else:
        inside[place[-1]] = value
    return made
