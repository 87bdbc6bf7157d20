"""The letter to the physician as a FHIR document, gathered from the case as it is; nothing is stored."""

from __future__ import annotations

from datetime import date

from sqlalchemy import Connection

from service.errors import Category, refuse
from service.fhir.build import Resource, references_in
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.fhir.letter import letter_document, spoken_of
from service.pipeline.reading import Reads
from service.rows import Case, Stored, split
from service.rules.case_view import CaseView, view_case
from service.store import cases, resources

_NOT_FOLLOWED = ("CarePlan", "AuditEvent", "Provenance", "GuidanceResponse")
"""Another case's plan is another letter's; records of how a decision came about are read at the service."""


def letter(reads: Reads, case_number: str, base: str) -> Resource:
    """The document Bundle of a case, as of today. 404 when it is not here, 403 when a part of it may not be read."""
    plan = reads.resource("CarePlan", case_number)

    def work(tx: Connection) -> Resource:
        case = cases.get(tx, case_number)
        if case is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        view = _view(reads, tx, case)
        parties = {"patient": case.patient} | ({"dental_office": case.dental_office} if case.dental_office else {})
        spoken = spoken_of(view, case_number, parties)
        direct = [reference for held in spoken.values() for reference in held]
        found = _gathered(tx, direct)
        missing = sorted(set(direct) - {f"{r.type}/{r.id}" for r in found})
        if missing:
            kinds = ", ".join(sorted({f"system/{split(m)[0]}.r" for m in missing}))
            raise refuse(Category.FORBIDDEN, f"The letter speaks of what this token may not read; {kinds} is needed.")
        return letter_document(
            view,
            case_number,
            base=base,
            parties=parties,
            entries=[load(row.body) for row in found],
            written_at=plan.last_updated,
            now=max(instant(reads.now()), plan.last_updated),
        )

    return reads.database.read(work)


def _view(reads: Reads, tx: Connection, case: Case) -> CaseView:
    """The view that the resources of the case tell: today's, or the last one of a case that is closed."""
    as_of = date.fromisoformat(case.recorded_on)
    return view_case(reads.facts_on(tx, case, as_of), reads.site, as_of)


def _gathered(tx: Connection, direct: list[str]) -> list[Stored]:
    """The resources of some references and all that these refer to in turn: the versions named, else the current ones."""
    found: dict[tuple[str, str, int], Stored] = {}
    asked: set[str] = set()
    waiting = list(dict.fromkeys(direct))
    while waiting:
        asked |= set(waiting)
        rows = list(resources.current_of(tx, [split(r) for r in waiting if "/_history/" not in r]).values())
        for reference in (r for r in waiting if "/_history/" in r):
            plain, _, number = reference.partition("/_history/")
            row = resources.version(tx, *split(plain), int(number))
            rows += [row] if row else []
        fresh = [row for row in rows if not row.deleted]
        found |= {(row.type, row.id, row.version): row for row in fresh}
        onward = [target for row in fresh for _, target in references_in(load(row.body), "")]
        waiting = [t for t in dict.fromkeys(onward) if t not in asked and _is_followed(t)]
    return list(found.values())


def _is_followed(reference: str) -> bool:
    kind, _, rest = reference.partition("/")
    return bool(rest) and kind[:1].isupper() and ":" not in reference and kind not in _NOT_FOLLOWED
