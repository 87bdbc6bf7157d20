"""Chains (`patient.identifier`), reverse chains (`_has`) and included resources: steps along references of the index.

https://hl7.org/fhir/R4/search.html#chaining, #has, #include. A chain is walked before the search itself, so that its
end is a short list of ids; one that leads to more than can be listed is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection

from service.errors import Category, refuse
from service.fhir.search_conditions import Chain, Condition, Has, Ids, Include, Key, Sort, Where
from service.store import query, search

MOST_LINKS = 1000
"""Resources that one step of a chain, or one page's inclusions, may lead to."""


def resolved(connection: Connection, kind: str, conditions: Sequence[Condition]) -> list[Condition]:
    """The conditions with every chain replaced by what it leads to."""
    return [_resolve(connection, kind, condition) for condition in conditions]


def _resolve(connection: Connection, kind: str, condition: Condition) -> Condition:
    if isinstance(condition, Chain):
        ids = _ids(connection, condition.target, condition.condition)
        return Where(condition.param, tuple(Key(i, condition.target) for i in ids))
    if isinstance(condition, Has):
        ids = _ids(connection, condition.source, condition.condition)
        return Ids(
            tuple(sorted({i for t, i in links(connection, condition.source, condition.param, ids) if t == kind}))
        )
    return condition


def _ids(connection: Connection, kind: str, condition: Condition) -> list[str]:
    inner = resolved(connection, kind, [condition])
    found = search.page(connection, kind, inner, Sort(), None, MOST_LINKS + 1)
    if len(found) > MOST_LINKS:
        sentence = f"More than {MOST_LINKS} resources of type {kind} meet the inner condition of a chain; narrow it."
        raise refuse(Category.BAD_QUERY, sentence)
    return [f.id for f in found]


def links(connection: Connection, source: str, param: str, ids: Iterable[str]) -> list[tuple[str, str]]:
    """(type, id) of what resources refer to by a parameter."""
    c = query.VALUES.c
    wanted = query.rows(connection, query.VALUES, c.part, c.value).where(
        c.type == source, c.id.in_(list(ids)), c.param == param, c.part != ""
    )
    return [(r.part, r.value) for r in connection.execute(wanted.distinct())]


def included(connection: Connection, kind: str, ids: Sequence[str], wanted: Iterable[Include]) -> set[tuple[str, str]]:
    """(type, id) of what the resources of a page refer to."""
    return {
        link
        for include in wanted
        for link in links(connection, kind, include.param, ids)
        if include.target in ("", link[0])
    }


def referring(connection: Connection, kind: str, ids: Sequence[str], wanted: Iterable[Include]) -> set[tuple[str, str]]:
    """(type, id) of what refers to the resources of a page; refused when there are too many for one answer."""
    found: set[tuple[str, str]] = set()
    c = query.VALUES.c
    for include in wanted:
        back = query.rows(connection, query.VALUES, c.id).where(
            c.type == include.source, c.param == include.param, c.value.in_(ids), c.part == kind
        )
        back = back.distinct().limit(MOST_LINKS + 1)
        found |= {(include.source, r.id) for r in connection.execute(back)}
        if len(found) > MOST_LINKS:
            sentence = f"More than {MOST_LINKS} resources refer to this page; ask for less with _count."
            raise refuse(Category.BAD_QUERY, sentence, "_revinclude")
    return found
