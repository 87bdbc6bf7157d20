# pyright: strict
"""Parts of JSON values of which nobody has checked yet what they are."""

from __future__ import annotations

from typing import Any, cast


def object_in(value: object) -> dict[str, Any] | None:
    """The value when it is a JSON object."""
    return cast(dict[str, Any], value) if isinstance(value, dict) else None


def list_in(value: object) -> list[Any]:
    """The value when it is a JSON array, else an empty list."""
    return cast(list[Any], value) if isinstance(value, list) else []


def objects_in(value: object) -> list[dict[str, Any]]:
    """The JSON objects in the value when it is an array; whatever else stands in it is left out."""
    return [item for item in list_in(value) if item.__class__ is dict]
