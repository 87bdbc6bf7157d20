"""The review of emergency accesses, as the keeper of the database does it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection

from service.deciding.versions import as_version
from service.errors import Category, Problem, Refused, refuse
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.dates import instant
from service.new_id import new_id
from service.rows import nobodys
from service.store import emergencies, resources
from service.store.emergencies import Access
from service.store.engine import Database

_LONGEST = 500


def waiting(database: Database, with_reviewed: bool) -> list[Access]:
    """The accesses that nobody has reviewed, or all; in the order in which they were opened."""
    return database.read(lambda tx: emergencies.listed(tx, with_reviewed))


def review(database: Database, access_id: str, by: str, note: str, now: datetime) -> None:
    """Note who reviewed an access and what came of it, once. Refused when there is none that waits for it."""
    held = {"by": " ".join(by.split()), "note": " ".join(note.split())}
    wrong = [name for name, text in held.items() if not 0 < len(text) <= _LONGEST or not text.isprintable()]
    if wrong:
        raise Refused(Problem(Category.INVALID, f"1 to {_LONGEST} characters are needed.", name) for name in wrong)

    def work(tx: Connection) -> None:
        access, at = emergencies.find(tx, access_id), instant(now)
        if access is None:
            raise refuse(Category.NOT_FOUND, f"There is no emergency access {access_id}.")
        if not emergencies.review(tx, access_id, at, held["by"], held["note"]):
            raise refuse(
                Category.CONFLICT, f"{access_id} was reviewed on {access.reviewed_at} by {access.reviewed_by}."
            )
        event = new_id()
        words = f"emergency access {access_id} reviewed: {held['note']}"
        commits = Commitment(access.case_number)
        done = Interaction("operation", new_id(), words, (), (access.patient,), commits=commits)
        entry = audit_event(done, Asker(called=held["by"]), at)
        belongs = access.case_number or nobodys(event)
        resources.append_versions(tx, [as_version(entry, event, 1, belongs, at)])

    database.write(work)
