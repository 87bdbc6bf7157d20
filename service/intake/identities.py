"""Business identifiers of what a message writes: one resource of a type has each, so that repeats find it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused
from service.intake import numbers_of_others
from service.intake.identified import Identified
from service.rows import Key, Number

Row = tuple[str, str, str, str, int]
"""(type, system, value, id, revision)."""


@dataclass(frozen=True, slots=True)
class IdentityChange:
    """Identifiers of deleted resources that become free, rows that are new, and revisions that count from now on."""

    freed: tuple[Key, ...] = ()
    added: tuple[Row, ...] = ()
    raised: tuple[tuple[Number, str, int], ...] = ()


def identity_change(snapshot: Snapshot, items: Sequence[Identified]) -> IdentityChange:
    """Keep the identifiers of what is written and free those of what is deleted. Refused when another has one."""
    freed = tuple((i.draft.type, i.id) for i in items if i.what == "deleted")
    rows: dict[Number, Row] = {
        (i.draft.type, *i.draft.identity): (i.draft.type, *i.draft.identity, i.id, i.draft.revision)
        for i in items
        if i.what == "created" and i.draft.identity
    }
    others = {
        (i.draft.type, *identifier): i
        for i in items
        if i.written
        for identifier in i.draft.identifiers
        if (i.draft.type, *identifier) not in rows
    }
    found = [row for row in snapshot.given(others) if (row.number[0], row.id) not in freed]
    known = snapshot.meant_by(found)
    given = {row.number: row for row in found if row.number in known and row.id == known[row.number][0]}
    problems: list[Problem] = []
    for number, item in others.items():
        owner = known.get(number, (item.id, 0))[0]
        if owner != item.id and numbers_of_others.is_anothers(snapshot, given.get(number)):
            rows[number] = (*number, item.id, 1)
        elif owner != item.id:
            sentence = f"The identifier {number[2][:64]} belongs to {number[0]}/{owner} already."
            problems.append(Problem(Category.CONFLICT, sentence, f"{item.draft.path}.identifier"))
        elif number not in known:
            rows[number] = (*number, item.id, 1)
    if problems:
        raise Refused(problems)
    raised = (
        ((i.draft.type, *i.draft.identity), i.id, i.draft.revision)
        for i in items
        if i.what == "updated" and i.draft.identity
    )
    return IdentityChange(freed, tuple(rows.values()), tuple(raised))
