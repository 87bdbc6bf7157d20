"""Conditions of a message settled against the store: conditional create and update, conditional references.

https://hl7.org/fhir/R4/http.html#ccreate, #cond-update and #trules. Deletions of the same message count as done.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import Condition, Draft, references_in, with_references
from service.fhir.search_query import search_of
from service.inbound.fhir_resource import condition_of

_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]{1,40})\?(.+)", re.DOTALL)


def settled(snapshot: Snapshot, drafts: Sequence[Draft], moment: datetime) -> list[Draft]:
    """Conditional drafts with the ids they lead to, and conditional references with addresses. Refused with all faults.

    Requests that look for the same wait for one another, so that what both would make is made once.
    """
    gone = {(d.type, d.target_id) for d in drafts if d.deletes}
    problems: list[Problem] = []
    searched = sorted(repr((d.type, sorted(d.condition.pairs))) for d in drafts if d.condition and d.condition.pairs)
    snapshot.take_turns(searched)
    led: list[Draft] = []
    for draft in drafts:
        try:
            led.append(_with_target(snapshot, draft, gone, moment))
        except Refused as refused:
            problems.extend(refused.problems)
            led.append(draft)
    addresses: dict[str, str] = {}
    message = _Message(led, gone, moment)
    for draft in led:
        for path, reference in references_in(draft.resource, draft.path or draft.type):
            found = _CONDITIONAL.fullmatch(reference)
            if found and reference not in addresses:
                try:
                    addresses[reference] = _target(snapshot, (found[1], found[2]), path, message)
                except Refused as refused:
                    problems.extend(refused.problems)
                    addresses[reference] = reference
    if problems:
        raise Refused(problems)
    if not addresses:
        return led
    return [replace(d, resource=with_references(d.resource, lambda r: addresses.get(r, r))) for d in led]


@dataclass(frozen=True, slots=True)
class _Message:
    drafts: Sequence[Draft]
    gone: set[tuple[str, str | None]]
    moment: datetime


def _with_target(snapshot: Snapshot, draft: Draft, gone: set[tuple[str, str | None]], moment: datetime) -> Draft:
    """A draft with what its condition leads to. Refused with what is wrong with that."""
    if not draft.condition:
        return draft
    ids = _matches(snapshot, draft.type, draft.condition, draft.path, moment)
    return _led_to(draft, draft.condition, [i for i in ids if (draft.type, i) not in gone])


def _matches(snapshot: Snapshot, kind: str, condition: Condition, path: str, moment: datetime) -> tuple[str, ...]:
    """Ids of up to two resources that meet a condition; by an identifier, of all that have or had it."""
    if not condition.pairs:
        return snapshot.with_identifier(kind, condition.system, condition.value)
    try:
        search = search_of(kind, condition.pairs, "", moment, strict=True)
    except Refused as refused:
        raise Refused([Problem(p.category, p.message, path) for p in refused.problems]) from None
    if not search.conditions:
        raise refuse(Category.BAD_QUERY, "A condition says which resource is meant, not how it is shown.", path)
    return snapshot.searched(kind, tuple(condition.pairs))


def _led_to(draft: Draft, condition: Condition, ids: list[str]) -> Draft:
    """A conditional draft with what it leads to. Refused when that cannot be."""
    if len(ids) > 1:
        raise Refused(_several(draft.type, condition, draft.path))
    if not draft.updates:
        return replace(draft, found=ids[0] if ids else None)
    if not ids and draft.if_match is not None:
        sentence = f"No {draft.type} has {condition.words}; there is no version {draft.if_match} of it."
        raise Refused(Problem(Category.STALE, sentence, draft.path))
    if ids and draft.asked_id not in (None, ids[0]):
        sentence = f"The {draft.type} that has {condition.words} is «{ids[0]}», not «{draft.asked_id}»."
        raise Refused(Problem(Category.MISMATCHED, sentence, f"{draft.path}.id"))
    target = ids[0] if ids else draft.asked_id
    return replace(draft, target_id=target, identity=None if target else draft.identity)


def _target(snapshot: Snapshot, asked: tuple[str, str], path: str, message: _Message) -> str:
    """Where a conditional reference (type, query) leads: to an entry with the identifier, or to a stored resource.

    A search by anything but an identifier is made in the store alone.
    """
    kind, drafts = asked[0], message.drafts
    condition = condition_of(asked[1], "A conditional reference", path)
    inside = {
        d.local: [i for i in d.identifiers if condition.meets(i)] for d in drafts if d.type == kind and not d.deletes
    }
    inside = {local: identifiers for local, identifiers in inside.items() if identifiers}
    numbers = [(kind, *one) for identifiers in inside.values() for one in identifiers]
    known = {found[0] for found in snapshot.identities(numbers).values()}
    matching = _matches(snapshot, kind, condition, path, message.moment)
    stored = [i for i in matching if (kind, i) not in message.gone and i not in known]
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
