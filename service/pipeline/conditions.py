"""Conditions of a message settled against the store: conditional create and update, conditional references.

https://hl7.org/fhir/R4/http.html#ccreate, #cond-update and #trules. Deletions of the same message count as done.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import Condition, Draft, references_in, with_references
from service.fhir.search_conditions import Sort
from service.fhir.search_query import search_of
from service.inbound.fhir_resource import condition_of
from service.store import resources, search, search_chains

_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]{1,40})\?(.+)", re.DOTALL)


def settle(connection: Connection, drafts: Sequence[Draft], moment: datetime) -> None:
    """Give conditional drafts the ids they lead to, and conditional references their addresses. Refused with all faults.

    Requests that look for the same wait for one another, so that what both would make is made once.
    """
    gone = {(d.type, d.target_id) for d in drafts if d.deletes}
    problems: list[Problem] = []
    searched = sorted(repr((d.type, sorted(d.condition.pairs))) for d in drafts if d.condition and d.condition.pairs)
    for text in dict.fromkeys(searched):
        search.take_turn(connection, text)
    for draft in drafts:
        if draft.condition:
            try:
                ids = _matches(connection, draft.type, draft.condition, draft.path, moment)
            except Refused as refused:
                problems.extend(refused.problems)
                continue
            problems.extend(_settled(draft, draft.condition, [i for i in ids if (draft.type, i) not in gone]))
    settled: dict[str, str] = {}
    for draft in drafts:
        for path, reference in references_in(draft.resource, draft.path or draft.type):
            found = _CONDITIONAL.fullmatch(reference)
            if found and reference not in settled:
                try:
                    settled[reference] = _target(connection, found[1], found[2], path, drafts, gone, moment)
                except Refused as refused:
                    problems.extend(refused.problems)
                    settled[reference] = reference
    if problems:
        raise Refused(problems)
    if settled:
        for draft in drafts:
            draft.resource = with_references(draft.resource, lambda r: settled.get(r, r))


def _matches(connection: Connection, kind: str, condition: Condition, path: str, moment: datetime) -> list[str]:
    """Ids of up to two resources that meet a condition; by an identifier, of all that have or had it."""
    if condition.pairs:
        try:
            asked = search_of(kind, condition.pairs, "", moment, strict=True)
        except Refused as refused:
            raise Refused([Problem(p.category, p.message, path) for p in refused.problems]) from None
        if not asked.conditions:
            raise refuse(Category.BAD_QUERY, "A condition says which resource is meant, not how it is shown.", path)
        conditions = search_chains.resolved(connection, kind, asked.conditions)
        return [f.id for f in search.page(connection, kind, conditions, Sort(), None, 2)]
    return list(dict.fromkeys(resources.find_by_identifier(connection, kind, condition.system, condition.value)))


def _settled(draft: Draft, condition: Condition, ids: list[str]) -> list[Problem]:
    """Set what a conditional draft leads to; what is wrong with that."""
    if len(ids) > 1:
        return [_several(draft.type, condition, draft.path)]
    if not draft.updates:
        draft.found = ids[0] if ids else None
        return []
    if not ids and draft.if_match is not None:
        sentence = f"No {draft.type} has {condition.words}; there is no version {draft.if_match} of it."
        return [Problem(Category.STALE, sentence, draft.path)]
    if ids and draft.asked_id not in (None, ids[0]):
        sentence = f"The {draft.type} that has {condition.words} is «{ids[0]}», not «{draft.asked_id}»."
        return [Problem(Category.MISMATCHED, sentence, f"{draft.path}.id")]
    draft.target_id = ids[0] if ids else draft.asked_id
    if draft.target_id:
        draft.identity = None
    return []


def _target(
    connection: Connection,
    kind: str,
    query: str,
    path: str,
    drafts: Sequence[Draft],
    gone: set[tuple[str, str | None]],
    moment: datetime,
) -> str:
    """Where a conditional reference leads: to an entry that carries the identifier, or to the store's resource.

    A search by anything but an identifier is made in the store alone.
    """
    condition = condition_of(query, "A conditional reference", path)
    inside = {
        d.local: [i for i in d.identifiers if condition.meets(i)] for d in drafts if d.type == kind and not d.deletes
    }
    inside = {local: identifiers for local, identifiers in inside.items() if identifiers}
    keys = [(kind, *one) for identifiers in inside.values() for one in identifiers]
    known = {found[0] for found in resources.find_identities(connection, keys).values()}
    matching = _matches(connection, kind, condition, path, moment)
    stored = [i for i in matching if (kind, i) not in gone and i not in known]
    found = [*inside, *(f"{kind}/{i}" for i in stored)]
    if len(found) > 1:
        raise Refused(_several(kind, condition, path))
    if not found:
        raise Refused(Problem(Category.NOT_FOUND, f"No {kind} has {condition.words}.", path))
    return found[0]


def _several(kind: str, condition: Condition, path: str) -> Problem:
    more = "ask for less" if condition.pairs else "name its system as well"
    sentence = f"Several {kind} resources have {condition.words}; {more}."
    return Problem(Category.SEVERAL, sentence, path)
