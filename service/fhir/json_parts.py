"""Parts of JSON values of which nobody has checked yet what they are."""

from __future__ import annotations

from typing import Any, TypeGuard


def is_object(value: object) -> TypeGuard[dict[str, Any]]:
    """Whether the value is a JSON object."""
    return isinstance(value, dict)


def is_list(value: object) -> TypeGuard[list[Any]]:
    """Whether the value is a JSON array."""
    return isinstance(value, list)


def object_in(value: object) -> dict[str, Any] | None:
    """The value when it is a JSON object."""
    return value if is_object(value) else None


def list_in(value: object) -> list[Any]:
    """The value when it is a JSON array, else an empty list."""
    return value if is_list(value) else []


def objects_in(value: object) -> list[dict[str, Any]]:
    """The JSON objects in the value when it is an array; whatever else stands in it is left out."""
    return [item for item in list_in(value) if is_object(item)]
