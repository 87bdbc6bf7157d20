"""One patient's record: written out whole, and removed at the end of its retention, which local law sets."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from service.deciding.versions import as_version
from service.fhir.audit_commitment import MESSAGE, Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.build import SHARED, Resource
from service.fhir.codes import BASE
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.new_id import new_id
from service.rows import Stored
from service.rules.stage import StageName
from service.rules.words import count
from service.store import cases, emergencies, history, record, resources
from service.store.audit_chain import AUDIT_EVENT
from service.store.engine import Database
from service.store.record import Removed

_KEEPER = Asker(called="the keeper of the database")


def exported(database: Database, patient_id: str) -> Resource | None:
    """All there is of a patient as a Bundle of type collection; None when there is none of that id.

    Every version of every resource of their cases, the audit entries that name them, those concerned (practitioners,
    organisations) as they are now, and each message as received, inside a DocumentReference. Deleted versions have no
    content and so no entry.
    """

    def work(tx: Connection) -> Resource | None:
        patient = f"Patient/{patient_id}"
        own = list(record.versions_of(tx, [("Patient", patient_id)]))
        if not own:
            return None
        numbers = cases.of_patient(tx, [patient])
        events = [(AUDIT_EVENT, event) for event in record.entries_about(tx, patient_id)]
        rows = {(r.type, r.id, r.version): r for number in numbers for r in resources.of_case(tx, number)}
        rows |= {(r.type, r.id, r.version): r for r in (*own, *record.versions_of(tx, events))}
        keys = set(history.shared_of_patient(tx, patient, sorted(SHARED))) - {("Patient", patient_id)}
        rows |= {(r.type, r.id, r.version): r for r in resources.current_of(tx, sorted(keys)).values()}
        sent = [message for number in numbers for message in cases.messages(tx, number)]
        alone = _messages_of_one(list(rows.values()), patient)
        sent += list(record.messages_by_id(tx, sorted(alone - {message[0] for message in sent})))
        held = sorted(
            (r for r in rows.values() if not r.deleted), key=lambda r: (r.last_updated, r.type, r.id, r.version)
        )
        entries = [{"fullUrl": f"{BASE}/{r.type}/{r.id}", "resource": load(r.body)} for r in held]
        entries += [_message_entry(message, patient) for message in sorted(sent)]
        return {
            "resourceType": "Bundle",
            "type": "collection",
            "timestamp": instant(datetime.now(UTC)),
            "entry": entries,
        }

    return database.read(work)


def _messages_of_one(rows: Sequence[Stored], patient: str) -> set[str]:
    """Numbers of the requests that were about this patient and no other."""
    found: set[str] = set()
    for row in rows:
        entities = load(row.body)["entity"] if row.type == AUDIT_EVENT else []
        patients = {e["what"]["reference"] for e in entities if e.get("type", {}).get("code") == "1"}
        if patients == {patient}:
            found |= {e["what"]["identifier"]["value"] for e in entities if "identifier" in e.get("what", {})}
    return found


def _message_entry(message: tuple[str, str, str, bytes], patient: str) -> Resource:
    """A message as received; a DocumentReference carries SHA-1 by the words of R4."""
    number, received_at, channel, text = message
    attachment = {
        "contentType": "application/json",
        "data": base64.b64encode(text).decode(),
        "size": len(text),
        "hash": base64.b64encode(hashlib.sha1(text, usedforsecurity=False).digest()).decode(),
        "title": f"message as received by {channel}",
        "creation": received_at,
    }
    document: Resource = {
        "resourceType": "DocumentReference",
        "id": number,
        "status": "current",
        "subject": {"reference": patient},
        "date": received_at,
        "content": [{"attachment": attachment}],
    }
    return {"fullUrl": f"{BASE}/DocumentReference/{number}", "resource": document}


@dataclass(frozen=True, slots=True)
class Due:
    """A closed case past its retention; `kept` says why it cannot go yet."""

    case_number: str
    kept: str = ""


def due(database: Database, day: str) -> list[Due]:
    """Cases closed, and not changed since, before a day; those that went last come first, as others may rest on them."""

    def work(tx: Connection) -> list[Due]:
        return [Due(n, _why_kept(tx, n)) for n in record.closed_before(tx, day, StageName.CLOSED)]

    return database.read(work)


def _why_kept(tx: Connection, case_number: str) -> str:
    later = cases.replacing(tx, case_number)
    if later:
        return f"case {later[0]} takes its place and is still here"
    if emergencies.is_unreviewed(tx, cases.patients_of(tx, [case_number]).get(case_number, ""), case_number):
        return "an emergency access to it is still to be reviewed"
    return "notices about it are still to be sent" if record.has_unsent_notices(tx, case_number) else ""


def expire(database: Database, case_number: str, day: str, reason: str) -> str:
    """Remove a case in one transaction, with an AuditEvent of it; why it is kept, empty when it is gone.

    Its AuditEvents stay, so that the chain can be checked. The patient goes with the last case.
    """

    def work(tx: Connection) -> str:
        case = cases.lock(tx, case_number)
        if case is None or case.stage != StageName.CLOSED or case.changed_at >= day:
            return "it was opened again or is gone already"
        kept = _why_kept(tx, case_number)
        if kept:
            return kept
        removed = [record.forget_case(tx, case_number)]
        told = [f"CarePlan/{case_number}"]
        if not record.is_patient_elsewhere(tx, case.patient):
            events = [(AUDIT_EVENT, event) for event in record.entries_about(tx, case.patient.split("/")[1])]
            alone = _messages_of_one(list(record.versions_of(tx, events)), case.patient)
            removed.append(record.forget_patient(tx, case.patient, sorted(alone)))
            told.append(case.patient)
        gone = len({key[:2] for key in removed[0].versions})
        words = f"retention over, {count(gone, 'resource')} and {count(len(removed[0].messages), 'message')} removed: {reason}"
        event, now = new_id(), instant(datetime.now(UTC))
        commits = Commitment(case_number, removed=_hashes(removed))
        done = Interaction("delete", new_id(), words, told, [case.patient], commits=commits)
        row = as_version(audit_event(done, _KEEPER, now), event, 1, case_number, now)
        resources.append_versions(tx, [row])
        return ""

    return database.write(work)


def _hashes(removed: Sequence[Removed]) -> dict[str, str]:
    """Hashes of what was removed, as the audit names it."""
    versions = {f"{t}/{i}/_history/{v}": digest for one in removed for (t, i, v), digest in one.versions.items()}
    return versions | {f"{MESSAGE}/{name}": digest for one in removed for name, digest in one.messages.items()}
