"""What of the scopes that a client asks for lies within those it was registered with.

https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html#scopes-for-requesting-fhir-resources
"""

from __future__ import annotations

from collections.abc import Iterable

from service.access.grant import Scope, parse_scope

_LETTERS = "cruds"


def text_of(scope: Scope) -> str:
    """A scope of a backend service as text, always spelled the same way."""
    letters = "".join(letter for letter in _LETTERS if letter in scope.does)
    limit = f"?category={','.join(sorted(scope.categories))}" if scope.categories else ""
    return f"system/{scope.kind}.{letters}{limit}"


def system_scopes(texts: Iterable[str]) -> list[Scope]:
    """The scopes of the grammar `system/…` among texts; others mean nothing to a backend service."""
    return [scope for text in texts if text.startswith("system/") and (scope := parse_scope(text))]


def granted(asked: Iterable[Scope], registered: Iterable[Scope]) -> tuple[Scope, ...]:
    """What is both asked for and registered, without what another part says already."""
    held = list(registered)
    common = dict.fromkeys(both for one in asked for other in held if (both := _meet(one, other)))
    return tuple(
        sorted((s for s in common if not any(o != s and _within(s, o) for o in common)), key=lambda s: text_of(s))
    )


def _meet(one: Scope, other: Scope) -> Scope | None:
    """What both grant; None when that is nothing."""
    does = one.does & other.does
    if not does or (one.kind != other.kind and "*" not in (one.kind, other.kind)):
        return None
    kind = other.kind if one.kind == "*" else one.kind
    if one.categories and other.categories:
        categories = one.categories & other.categories
        return Scope(kind, does, categories) if categories else None
    return Scope(kind, does, one.categories | other.categories)


def _within(inner: Scope, outer: Scope) -> bool:
    return _meet(inner, outer) == inner
