"""Business identifiers of what a message writes: one resource of a type has each, so that repeats find it."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused
from service.pipeline import numbers_of_others
from service.pipeline.identify import Identified
from service.store import resources

Row = tuple[str, str, str, str, int]


def record(connection: Connection, items: Sequence[Identified]) -> None:
    """Keep the identifiers of what is written and free those of what is deleted. Refused when another has one."""
    for item in items:
        if item.what == "deleted":
            resources.forget_identities(connection, item.draft.type, item.id)
    made = [i for i in items if i.what == "created" and i.draft.identity]
    rows: dict[tuple[str, str, str], Row] = {
        (i.draft.type, *i.draft.identity): (i.draft.type, *i.draft.identity, i.id, i.draft.revision)
        for i in made
        if i.draft.identity
    }
    others = {
        (i.draft.type, *identifier): i
        for i in items
        if i.written
        for identifier in i.draft.identifiers
        if (i.draft.type, *identifier) not in rows
    }
    known = resources.find_identities(connection, others)
    given = {row.number: row for row in resources.identity_rows(connection, others) if row.id == known[row.number][0]}
    problems: list[Problem] = []
    for key, item in others.items():
        holder = known.get(key, (item.id, 0))[0]
        if holder != item.id and numbers_of_others.is_anothers(connection, given.get(key)):
            rows[key] = (*key, item.id, 1)
        elif holder != item.id:
            sentence = f"The identifier {key[2][:64]} belongs to {key[0]}/{holder} already."
            problems.append(Problem(Category.CONFLICT, sentence, f"{item.draft.path}.identifier"))
        elif key not in known:
            rows[key] = (*key, item.id, 1)
    if problems:
        raise Refused(problems)
    resources.add_identities(connection, list(rows.values()))
    for item in items:
        if item.what == "updated" and item.draft.identity:
            key = (item.draft.type, *item.draft.identity)
            resources.raise_revision(connection, key, item.id, item.draft.revision)
