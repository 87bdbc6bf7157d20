"""The facts of one case by their kind."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias, TypeVar, cast

from service.fhir.facts.base import FactOfAKind
from service.fhir.facts.fact import Fact, StoredFact
from service.rules.source import Source

_Kind = TypeVar("_Kind", bound=FactOfAKind)
Found: TypeAlias = tuple[Source, _Kind]
"""A fact with the resource version it was read from."""


class Grouped:
    """Facts by their type, in the order in which they were given."""

    def __init__(self, stored: Iterable[StoredFact]) -> None:
        """Group the facts."""
        self._by_type: dict[type[Fact], list[Found[Fact]]] = {}
        for one in stored:
            self._by_type.setdefault(type(one.fact), []).append((one.source, one.fact))

    def of(self, kind: type[_Kind]) -> list[Found[_Kind]]:
        """The facts of a kind."""
        # a list is filed under the type of what is in it
        return cast("list[Found[_Kind]]", self._by_type.get(cast("type[Fact]", kind), []))
