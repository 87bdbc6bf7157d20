"""Deletions (https://hl7.org/fhir/R4/http.html#delete): a last version without content, and nothing left that leads to it."""

from __future__ import annotations

from collections.abc import Sequence

from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused
from service.fhir.build import references_in
from service.fhir.interactions import DELETABLE
from service.fhir.json_text import load
from service.intake.identified import Identified
from service.rows import Key, Stored


def deleted_row(item: Identified, now: str) -> Stored:
    """The version that says a resource is deleted."""
    case_number = item.before.case_number if item.before else ""
    return Stored(item.draft.type, item.id, item.version, case_number, now, "", deleted=True)


def check_unreferred(snapshot: Snapshot, items: Sequence[Identified]) -> None:
    """Refused when a resource that stays refers to one that is deleted."""
    here = {i.reference for i in items}
    problems: list[Problem] = []
    for item in items:
        if item.what != "deleted" or item.before is None:
            continue
        for referring in snapshot.mentioning(item.before.case_number, item.reference):
            reference = f"{referring.type}/{referring.id}"
            leads = {r.split("/_history/")[0] for _, r in references_in(load(referring.body), "")}
            if reference not in here and item.reference in leads:
                sentence = f"{reference} refers to {item.reference}; change that first."
                problems.append(Problem(Category.CONFLICT, sentence, item.draft.path))
    if problems:
        raise Refused(problems)


def deleted_among(snapshot: Snapshot, items: Sequence[Identified], keys: Sequence[Key]) -> set[Key]:
    """Those of the resources that are deleted, by this message or before."""
    gone = {(i.draft.type, i.id) for i in items if i.what in ("deleted", "gone")}
    asked = [key for key in keys if key[0] in DELETABLE and key not in gone]
    stored = snapshot.current_of(asked)
    return {*(k for k in keys if k in gone), *(key for key, row in stored.items() if row.deleted)}
