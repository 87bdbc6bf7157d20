"""Places inside a resource: every value it holds, by where it stands, and copies in which one of them differs."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.build import Resource

Step = str | int
_GONE = object()


@dataclass(frozen=True, slots=True)
class Place:
    """One value of a resource: the steps that lead to it, and the value."""

    steps: tuple[Step, ...]
    value: Any

    @property
    def name(self) -> str:
        """Where it stands, without indices: `component.valueQuantity.value`."""
        return ".".join(str(s) for s in self.steps if isinstance(s, str))

    @property
    def names(self) -> tuple[str, ...]:
        """The element names on the way, without indices."""
        return tuple(s for s in self.steps if isinstance(s, str))

    @property
    def key(self) -> str:
        """The last element name on the way."""
        return self.names[-1]


def places(resource: Resource) -> list[Place]:
    """The first place of each name: whole elements, lists as a whole, then their items' inner elements."""
    found: dict[tuple[str, bool], Place] = {}
    for place in _walk(resource, ()):
        found.setdefault((place.name, isinstance(place.value, list)), place)
    return list(found.values())


def elements(resource: Resource) -> list[Place]:
    """The places that are whole elements (an object's members); no items of lists."""
    return [p for p in places(resource) if isinstance(p.steps[-1], str)]


def items(resource: Resource) -> list[Place]:
    """The places that are no lists: single values and the first items of lists."""
    return [p for p in places(resource) if not isinstance(p.value, list)]


def _walk(value: Any, steps: tuple[Step, ...]) -> Iterator[Place]:
    if isinstance(value, dict):
        for key, held in value.items():
            if key != "resourceType":
                yield Place((*steps, key), held)
                yield from _walk(held, (*steps, key))
    elif isinstance(value, list):
        for index, held in enumerate(value):
            yield Place((*steps, index), held)
            yield from _walk(held, (*steps, index))


def at(resource: Resource, steps: Sequence[Step]) -> Any:
    """The value at the end of the steps."""
    held: Any = resource
    for step in steps:
        held = held[step]
    return held


def put(resource: Resource, steps: Sequence[Step], value: Any) -> Resource:
    """A copy in which the value at the end of the steps is another one."""
    copied = copy.deepcopy(resource)
    at(copied, steps[:-1])[steps[-1]] = value
    return copied


def dropped(resource: Resource, steps: Sequence[Step]) -> Resource:
    """A copy without the value at the end of the steps, and without what that leaves empty."""
    copied = put(resource, steps, _GONE)
    return _tidy(copied)


def edited(resource: Resource, change: Callable[[Resource], Any]) -> Resource:
    """A copy to which a change has been made."""
    copied = copy.deepcopy(resource)
    change(copied)
    return copied


def _tidy(value: Any) -> Any:
    if isinstance(value, dict):
        held = {k: _tidy(v) for k, v in value.items() if v is not _GONE}
        return {k: v for k, v in held.items() if v not in ([], {})}
    if isinstance(value, list):
        return [t for t in (_tidy(v) for v in value if v is not _GONE) if t not in ([], {})]
    return value
