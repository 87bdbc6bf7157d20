"""The writing end of the story: a change as it was planned, written in the transaction in which its snapshot was loaded."""

from __future__ import annotations

from sqlalchemy import Connection

from service.deciding.decide_case import CaseChange
from service.intake.change import Change, MessageToKeep
from service.intake.identities import IdentityChange
from service.intake.parties.admitting import Admission
from service.store import cases, directory, notices, parties, resources


def apply(connection: Connection, change: Change) -> None:
    """Write a change. Collision when another writer was first with something that is new."""
    apply_admission(connection, change.admission)
    for of_case in change.cases:
        _apply_case(connection, of_case)
    _apply_identities(connection, change.identities)
    if change.message is not None:
        _keep(connection, change.message)
    resources.append_versions(connection, change.rows)  # last, as it holds the end of an audit chain


def apply_admission(connection: Connection, admission: Admission) -> None:
    """Write who sees more, and who waits."""
    if admission.waits_no_more:
        directory.forget_waiting(connection, admission.case_number, admission.waits_no_more)
    directory.wait(connection, admission.waits)
    parties.add(connection, admission.case_number, admission.parties)
    parties.let_read(connection, admission.reads)
    parties.count_as_writer(connection, admission.writes)


def _apply_case(connection: Connection, change: CaseChange) -> None:
    number, facts = change.case.case_number, change.facts
    if facts.every:
        cases.all_facts_anew(connection, number, facts.added)
    else:
        cases.replace_facts(connection, number, facts.dropped, facts.added)
    cases.mark_facts(connection, number, change.marks.superseded, spent=True)
    cases.mark_facts(connection, number, change.marks.read_again, spent=False)
    if change.notice is not None:
        notices.add(connection, change.notice)
    if change.is_new:
        cases.add(connection, change.case)
    else:
        cases.save(connection, change.case)


def _apply_identities(connection: Connection, change: IdentityChange) -> None:
    for kind, resource_id in change.freed:
        resources.forget_identities(connection, kind, resource_id)
    resources.add_identities(connection, change.added)
    for number, resource_id, revision in change.raised:
        resources.raise_revision(connection, number, resource_id, revision)


def _keep(connection: Connection, message: MessageToKeep) -> None:
    cases.keep_message(
        connection,
        message.id,
        message.received_at,
        message.channel,
        message.case_number,
        message.sha256,
        message.text,
    )
