"""Items of a message as rows of the store, and as what is answered about them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.deciding.versions import as_version
from service.errors import Problem
from service.fhir.build import SHARED
from service.intake.answers import Outcome
from service.intake.deleting import deleted_row
from service.intake.identified import Identified
from service.rows import Case, Stored


def row_of(item: Identified, case: Case | None, now: str) -> Stored:
    """The version an item comes to."""
    if item.what == "deleted":
        return deleted_row(item, now)
    number = "" if case is None or item.draft.type in SHARED else case.case_number
    return as_version(item.resource, item.id, item.version, number, now)


def outcome_of(item: Identified, rows: Sequence[Stored], warnings: Mapping[str, tuple[Problem, ...]]) -> Outcome:
    """What became of an item, with the version that now counts."""
    row = next((r for r in rows if (r.type, r.id) == (item.draft.type, item.id)), item.before)
    body, when = (row.body, row.last_updated) if row else ("", "")
    draft = item.draft
    return Outcome(
        item.reference,
        item.version,
        item.what,
        body,
        item.note,
        bool(draft.parent),
        draft.place,
        when,
        (*draft.warnings, *warnings.get(item.reference, ())),
    )
