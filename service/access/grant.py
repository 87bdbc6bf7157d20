"""Who asks, and what they were granted: the outcome of checking a token or a sign-in, as a value.

Scopes: https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html. No SQL and no HTTP here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from urllib.parse import parse_qsl

from service.access.emergency import Emergency

_SCOPE = re.compile(r"(system|user)/(\*|[A-Z][A-Za-z]{1,63})\.(c?r?u?d?s?)(?:\?(.{1,400}))?")
_CATEGORY = re.compile(r"[^\s|,]{1,255}\|[^\s|,]{1,64}")


class Office(StrEnum):
    """What kind of office a client or a person works for."""

    SLEEP_LAB = "sleep-lab"
    DENTAL_OFFICE = "dental-office"
    PHYSICIAN = "physician"


@dataclass(frozen=True, slots=True)
class Scope:
    """One granted scope: a resource type or `*`, some of the letters `cruds`, and categories (`system|code`).

    Without categories every resource of the type is meant; with them those of one of the categories.
    """

    kind: str
    does: frozenset[str]
    categories: frozenset[str] = frozenset()


def parse_scope(text: str) -> Scope | None:
    """A scope of the grammar `system/Type.cruds?category=system|code`; None when this service does not know it."""
    found = _SCOPE.fullmatch(text)
    if found is None or not found[3]:
        return None
    categories: set[str] = set()
    for name, value in parse_qsl(found[4] or "", keep_blank_values=True):
        if name != "category" or found[2] == "*" or not all(_CATEGORY.fullmatch(one) for one in value.split(",")):
            return None
        categories.update(value.split(","))
    if found[4] and not categories:
        return None
    return Scope(found[2], frozenset(found[3]), frozenset(categories))


@dataclass(frozen=True, slots=True)
class Grant:
    """Who asks: the client (and the person, for pages), their organisation as `Organization/id`, what they may do.

    `emergency` is the access in use to one patient's record beyond one's own cases; None for everyday access.
    """

    client: str
    offices: frozenset[Office]
    organisation: str
    scopes: tuple[Scope, ...]
    person: str = ""
    emergency: Emergency | None = None
    is_open: bool = False
    """Access control is off: everything is seen and may be done. Never so of a grant that a token or a sign-in gave."""

    def allows(self, letter: str, kind: str) -> bool:
        """Whether some scope grants an interaction (one of `cruds`) on a type, for some category at least.

        The type `*` is granted by a scope for `*` alone.
        """
        return any(letter in s.does and s.kind in (kind, "*") for s in self.scopes)

    def categories(self, letter: str, kind: str) -> frozenset[str] | None:
        """The categories to which an interaction on a type is limited; None when it is not."""
        granting = [s for s in self.scopes if letter in s.does and s.kind in (kind, "*")]
        if any(not s.categories for s in granting):
            return None
        return frozenset(c for s in granting for c in s.categories)


def scopes_of(texts: Iterable[str]) -> tuple[Scope, ...]:
    """Scopes from their texts. ValueError names the first that is not understood."""
    found: list[Scope] = []
    for text in texts:
        scope = parse_scope(text)
        if scope is None:
            raise ValueError(f"«{text[:80]}» is not a scope this service knows")
        found.append(scope)
    return tuple(found)


OPEN = Grant("", frozenset(Office), "", (Scope("*", frozenset("cruds")),), is_open=True)
"""What every client has while access control is off, which is on loopback only."""
