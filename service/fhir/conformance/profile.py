"""A compiled profile: what its elements must be, as a tree that follows the resource."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.fhir.conformance.base import Element, Group
from service.fhir.conformance.fhirpath import Expression
from service.fhir.conformance.issue import Where
from service.fhir.json_parts import is_list, is_object


class HeldElement(NamedTuple):
    """A value that stands in a resource: the JSON value (None when only extensions speak of it), and where."""

    value: Any
    element: Element
    where: Where

    @property
    def type_path(self) -> str:
        """The type of the value, as models of FHIRPath know it: `Quantity`, `dateTime`, `Observation.component`."""
        shape = self.element.shape
        return shape.path if shape is not None else self.element.type


@dataclass(slots=True)
class Rule:
    """An invariant of a profile."""

    key: str
    is_error: bool
    human: str
    expression: Expression


@dataclass(slots=True)
class Discriminator:
    """By what slices are told apart: `kind` is value, pattern or type; `path` leads there from the element."""

    kind: str
    path: tuple[str, ...]


@dataclass(slots=True)
class Node:
    """What a profile asks of one element. `group` is the element in base R4, None for the resource itself.

    `types` and `targets` are None where the profile says nothing of them.
    """

    id: str
    group: Group | None
    lowest: int = 0
    highest: int | None = None
    types: frozenset[str] | None = None
    targets: frozenset[str] | None = None
    fixed: Any = None
    pattern: Any = None
    codes: dict[str, frozenset[str]] | None = None
    rules: list[Rule] = field(default_factory=list[Rule])
    children: list[Node] = field(default_factory=list["Node"])
    slices: list[Node] = field(default_factory=list["Node"])
    discriminators: list[Discriminator] = field(default_factory=list[Discriminator])
    is_closed: bool = False
    by_key: dict[Any, int] | None = None
    """The slices by a code or text that alone tells them apart, where that is so: a short way to the slice."""

    def child(self, stem: str) -> Node | None:
        """What the profile asks of an element below."""
        return next((c for c in self.children if c.group is not None and c.group.stem == stem), None)


@dataclass(slots=True)
class Profile:
    """A published profile, compiled."""

    url: str
    kind: str
    root: Node


def held_in(value: dict[str, Any], group: Group, where: Where) -> Iterator[HeldElement]:
    """What stands in an object for an element, each repetition on its own."""
    for member in group.members:
        name = member.name
        held = value.get(name)
        if is_list(held):
            if member.repeats:
                for index, item in enumerate(held):
                    yield HeldElement(item, member, where.at(member.stem, index))
        elif held is not None:
            if not member.repeats:
                yield HeldElement(held, member, where.at(member.stem))
        elif member.primitive is not None and f"_{name}" in value:
            yield HeldElement(None, member, where.at(member.stem))


def has_pattern(value: Any, pattern: Any) -> bool:
    """Whether a value holds at least what a pattern holds (ElementDefinition.pattern[x])."""
    if is_object(pattern):
        return is_object(value) and all(k in value and has_pattern(value[k], p) for k, p in pattern.items())
    if is_list(pattern):
        return is_list(value) and all(any(has_pattern(v, p) for v in value) for p in pattern)
    return value == pattern and isinstance(value, bool) == isinstance(pattern, bool)
