"""A search as data: what the query text means, before any database sees it.

https://hl7.org/fhir/R4/search.html
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Key:
    """The value is equal, and so is its part when one is given."""

    value: str
    part: str | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """The part is equal, whatever the value: any code of a system."""

    part: str


@dataclass(frozen=True, slots=True)
class Prefix:
    """The folded text begins so."""

    text: str


@dataclass(frozen=True, slots=True)
class Contains:
    """The folded text holds this anywhere."""

    text: str


@dataclass(frozen=True, slots=True)
class Range:
    """A date compared by a prefix with the range from `start` to just before `end`."""

    prefix: str
    start: str
    end: str


Test = Key | Part | Prefix | Contains | Range


@dataclass(frozen=True, slots=True)
class Where:
    """Some value of a parameter passes one of the tests; with `negated`, none does."""

    param: str
    tests: tuple[Test, ...]
    negated: bool = False


@dataclass(frozen=True, slots=True)
class Missing:
    """The element is absent (or, with `missing` false, present); of a given type where `part` says so."""

    param: str
    missing: bool
    part: str = ""


@dataclass(frozen=True, slots=True)
class Ids:
    """The id is one of these."""

    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Updated:
    """The time of the current version passes one of the tests."""

    tests: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Chain:
    """The resource that a reference leads to, of the type `target`, meets a condition."""

    param: str
    target: str
    condition: Condition


@dataclass(frozen=True, slots=True)
class Has:
    """Some resource of the type `source` that refers to this one by `param` meets a condition."""

    source: str
    param: str
    condition: Condition


Condition = Where | Missing | Ids | Updated | Chain | Has


class Order(StrEnum):
    """What a page is ordered by, beside the id that makes every order a whole one."""

    ID = "id"
    UPDATED = "_lastUpdated"
    DATE = "date"


@dataclass(frozen=True, slots=True)
class Sort:
    """The order asked for; `param` is the date parameter's name where it is one of the type's own."""

    order: Order = Order.ID
    descending: bool = False
    param: str = ""


@dataclass(frozen=True, slots=True)
class Include:
    """Resources to add: of the references `param` of `source`, to `target` alone where one is given."""

    source: str
    param: str
    target: str = ""


@dataclass(slots=True)
class Search:
    """A search for resources of one type, as it was understood."""

    type: str
    conditions: list[Condition] = field(default_factory=list[Condition])
    sort: Sort = Sort()
    count: int = 50
    includes: list[Include] = field(default_factory=list[Include])
    reverse_includes: list[Include] = field(default_factory=list[Include])
    only_count: bool = False
    without_total: bool = False
    elements: tuple[str, ...] = ()
    token: str = ""
    understood: list[tuple[str, str]] = field(default_factory=list[tuple[str, str]])
    ignored: list[str] = field(default_factory=list[str])


Pairs = Sequence[tuple[str, str]]
