"""Items of a message as rows of the store, and as what is answered about them."""

from __future__ import annotations

from collections.abc import Sequence

from service.fhir.build import SHARED
from service.pipeline.answers import Outcome
from service.pipeline.deleting import deleted_row
from service.pipeline.derived import stored
from service.pipeline.identify import Identified
from service.store.cases import Case
from service.store.resources import Stored


def row_of(item: Identified, case: Case | None, now: str) -> Stored:
    """The version an item comes to."""
    if item.what == "deleted":
        return deleted_row(item, now)
    number = "" if case is None or item.draft.type in SHARED else case.case_number
    return stored(item.resource, item.id, item.version, number, now)


def touched_by(rows: Sequence[Stored], items: Sequence[str] = ()) -> list[str]:
    """What a message wrote, by exact versions, what it names first; what it names when it changed nothing."""
    written = [f"{r.type}/{r.id}/_history/{r.version}" for r in rows]
    asked = {reference: place for place, reference in enumerate(items)}
    written.sort(key=lambda reference: asked.get(reference.split("/_history/")[0], len(asked)))
    return written or list(items[:1])


def outcome_of(item: Identified, rows: Sequence[Stored]) -> Outcome:
    """What became of an item, with the version that now counts."""
    row = next((r for r in rows if (r.type, r.id) == (item.draft.type, item.id)), item.held)
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
        draft.warnings,
    )
