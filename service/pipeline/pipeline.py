"""THE STORY of a message: parse, map, identify, check, decide, store - in one transaction.

Nothing is acknowledged before it is durable, and nothing is half-stored: a problem anywhere refuses the
whole message with every problem found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from sqlalchemy import Connection

from service.errors import Category, refuse
from service.fhir.audit_commitment import sha256_of
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.dates import instant, instant_after
from service.fhir.facts.fact import Fact
from service.fhir.json_text import load, parse
from service.fhir.read_facts import read
from service.fhir.read_observation import is_red_flag_closure
from service.fhir.read_other import is_referral
from service.inbound.plain import AskedRead, Mapped
from service.pipeline import (
    checks,
    conditions,
    decide,
    facts_anew,
    identities,
    missing_index,
    patients,
    referral,
    referral_moves,
    which_case,
)
from service.pipeline.access import parties, permitted
from service.pipeline.access.asking import asker
from service.pipeline.access.callers import caller_for
from service.pipeline.access.sender import Sender
from service.pipeline.announce import ToldMove, announce
from service.pipeline.answers import Answer
from service.pipeline.commitments import Admitted, commitment
from service.pipeline.days import Days
from service.pipeline.deleting import check_unreferred
from service.pipeline.derived import Derived, stored
from service.pipeline.fact_rows import changed_rows, facts_after, split, state_of, task_fact
from service.pipeline.identify import Identified, identify
from service.pipeline.rows import outcome_of, row_of, touched_by
from service.pipeline.rules_device import kept_engine
from service.pipeline.searching import Searches
from service.pipeline.spent import HeldFacts, held_facts, in_use, is_late, mark
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts
from service.rules.site import Site
from service.rules.source import Source
from service.store import cases, query, resources
from service.store.cases import Case
from service.store.engine import Database
from service.store.ids import new_id
from service.store.resources import Stored


@dataclass(frozen=True, slots=True)
class Received:
    """A message as it came: its channel, its text, and the number under which it is logged."""

    channel: str
    text: bytes
    request_id: str
    plain: bool
    interaction: str = "create"
    sender: Sender = Sender()


class Pipeline(Days, Searches):
    """Takes messages in and answers questions about cases. One per process; safe to share between threads."""

    def __init__(
        self,
        database: Database,
        site: Site,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        zone: tzinfo = UTC,
        version: str = "",
    ) -> None:
        super().__init__(database, site, clock, zone)
        self._version = version
        self.refuses_unknown_offices = False
        self._engine: Source | None = None

    def receive(
        self,
        received: Received,
        map_message: Callable[[dict[str, Any]], Mapped],
        case_number: str | None = None,
        read: Callable[[AskedRead], Any] | None = None,
    ) -> Answer:
        """Store a message, or refuse it whole. `case_number` is the case a plain message names.

        `read` answers the reads inside the message, in its transaction, when all else of it is written.
        """
        return self.take(received, map_message(parse(received.text)), case_number, read)

    def take(
        self,
        received: Received,
        mapped: Mapped,
        case_number: str | None = None,
        read: Callable[[AskedRead], Any] | None = None,
    ) -> Answer:
        """Store a message that is mapped already, or refuse it whole."""

        def answers() -> dict[int, Any]:
            return {asked.place: read(asked) for asked in mapped.reads} if read else {}

        def work(tx: Connection) -> Answer:
            stored = self._store(tx, received, permitted.as_limited(mapped.untouched(), received.sender), case_number)
            stored.reads = answers()
            return stored

        if mapped.reads and not mapped.drafts:
            return Answer("", [], reads=answers())
        if not mapped.drafts and mapped.move is None:
            raise refuse(Category.INVALID, "The message is empty: it holds no entry.")
        return self._database.seen_by(caller_for(received.sender.grant)).write(work)

    def _store(self, tx: Connection, received: Received, mapped: Mapped, case_number: str | None) -> Answer:
        moment = self._clock()
        today = self.today()
        if not received.plain:
            conditions.settle(tx, mapped.drafts, moment)
        case, known = which_case.case_and_known(tx, mapped.drafts, case_number)
        now = instant_after(moment, case.changed_at if case else "")
        derived = Derived.of(case.case_number if case else "", case.derived if case else "{}")
        if case is not None and facts_anew.is_outdated(case):
            facts_anew.read_anew(tx, case, derived)
        items = identify(tx, mapped.drafts, known, which_case.addresses(tx, case, derived.appliance, mapped))
        closed, now = patients.others_changed(tx, items, case, now)
        opened = case is None and any(is_referral(i.resource) for i in items)
        if opened:
            case = which_case.open_case(items, now)
            derived.case_number = case.case_number
        which_case.check_references(tx, items, _own_references(items, None if opened else case))
        if case is not None:
            which_case.check_belonging(items, case, opened)
            because = which_case.note_replaced(tx, items, case)
            derived.replaced_because = derived.replaced_because if because is None else because
        read_facts = checks.read_all(items, received.plain, today, moment)
        sender = permitted.check(tx, received.sender, case, opened, mapped, items)
        admitted = Admitted()
        if case is not None:
            recorded = parties.record(tx, case, derived, items, sender, opened)
            parties.say_unbound(items, recorded, self.refuses_unknown_offices)
            admitted += recorded.admitted
        admitted += permitted.wrote(tx, sender, items)
        check_unreferred(tx, items)
        if mapped.move is not None and not mapped.drafts:
            checks.check_day(mapped.move.on, "on", today, moment)
        rows, notes = [row_of(i, case, now) for i in items if i.written or i.what == "deleted"], list[str]()
        if case is not None:
            rows, notes = self._case_rows(
                tx, case, derived, mapped, sender, items, rows, read_facts, opened, today, now
            )
        outcomes = [outcome_of(i, rows) for i in items]
        self._write(tx, received, mapped, case, items, rows, admitted, now)
        with query.as_the_service(tx):
            for number, patient in closed:
                self.decide_for_patient(tx, number, patient)
        summary = load(case.summary) if case else {}
        return Answer(case.case_number if case else "", outcomes, opened, summary, notes)

    def _case_rows(
        self,
        tx: Connection,
        case: Case,
        derived: Derived,
        mapped: Mapped,
        sender: Sender,
        items: Sequence[Identified],
        rows: Sequence[Stored],
        read_facts: dict[str, Fact | None],
        opened: bool,
        today: date,
        now: str,
    ) -> tuple[list[Stored], list[str]]:
        """The rows to write, with the case's own side (referral, facts, decision, CarePlan), and notes on moves."""
        task = next((r for r in rows if f"{r.type}/{r.id}" == case.task), None)
        others = {(r.type, r.id): r for r in rows if r is not task}
        moved = referral_moves.Moved(task)
        versions = {i.reference: i.version for i in items}
        late = is_late(items, read_facts, derived)
        held = HeldFacts([], whole=True) if opened else held_facts(tx, derived, self.engine(), today, late)
        before = held.facts
        if opened:
            referral.check_opening(items, sender)
            order = next(i for i in items if is_referral(i.resource))
            patients.check_opening(tx, case, items, order)
            self._check_age(tx, case, derived, items, order)
            if task is None:
                body = referral_moves.new_task(case, now)
                task = stored(body, body["id"], 1, case.case_number, now)
            task = referral_moves.with_delivery(tx, case, derived, task, now)
        else:
            known = facts_after(before, read_facts, versions)
            at = referral_moves.Situation(tx, case, derived, sender, before, known, now, today.isoformat())
            moved = referral.moved(at, items, mapped.move, bool(mapped.drafts), task)
            task = moved.task
            if which_case.follow_referral(items, case):
                task = referral_moves.with_owner(tx, case, task, now)
            task = referral_moves.with_delivery(tx, case, derived, task, now)
            if any((i.written or i.what == "deleted") and not is_red_flag_closure(i.resource) for i in items):
                referral_moves.check_open(case, state_of(before))
        for reference, fact in patients.read_from(rows, case).items():
            read_facts[reference] = fact
        for row in moved.others:
            others[row.type, row.id] = row
            read_facts[f"{row.type}/{row.id}"], _ = read(load(row.body), row.type)
            versions[f"{row.type}/{row.id}"] = row.version
        if task is not None:
            read_facts[case.task], versions[case.task] = task_fact(task, before), task.version
        after = facts_after(before, read_facts, versions)
        facts, remarks = checks.check_case(items, before, after, self.site.thresholds)
        missing_index.warn(items, facts)
        facts_anew.remember(derived, after)
        used = in_use(facts, held, derived, self.engine(), self.site.thresholds, today)
        task = self._decide(tx, case, derived, used, today, now, task)
        if task is not None:
            read_facts[case.task], versions[case.task] = task_fact(task, before), task.version
        cases.replace_facts(tx, case.case_number, *changed_rows(before, read_facts, versions))
        mark(tx, derived, held, facts, used, rewritten=read_facts)
        if opened:
            cases.add(tx, case)
        else:
            cases.save(tx, case)
        return [*others.values(), *([task] if task else []), *derived.rows], [*moved.notes, *remarks]

    def _decide(
        self, tx: Connection, case: Case, derived: Derived, facts: CaseFacts, today: date, now: str, task: Stored | None
    ) -> Stored | None:
        """Decide the case as of today; the Task's version to write, if any."""
        view = view_case(decide.with_birth_date(facts, derived.birth_date), self.site, today)
        was = ToldMove.of(case, derived)
        decide.record(view, case, derived, self.engine(), self.site.thresholds, now)
        announce(tx, case, was, derived, view, now)
        task = referral_moves.with_business_status(tx, case, view.stage, derived, task, now)
        case.derived = derived.text()
        return task

    def _check_age(
        self, tx: Connection, case: Case, derived: Derived, items: Sequence[Identified], referral: Identified
    ) -> None:
        person = next((i for i in items if i.reference == case.patient), None)
        path = (person.draft.date_path or f"{person.draft.path}.birthDate") if person else referral.draft.path
        held = None if person else resources.current(tx, *split(case.patient))
        patient = person.resource if person else load(held.body) if held else {}
        derived.birth_date = checks.check_age(patient, referral.resource, path, self.site.thresholds)

    def _write(
        self,
        tx: Connection,
        received: Received,
        mapped: Mapped,
        case: Case | None,
        items: Sequence[Identified],
        rows: list[Stored],
        admitted: Admitted,
        now: str,
    ) -> None:
        """Everything of the message that is not in the case row: versions, identities, message, audit entry."""
        number, event = case.case_number if case else "", new_id()
        touched = touched_by(rows, [i.reference for i in items])
        patients = [case.patient] if case else sorted({t.split("/_h")[0] for t in touched if t.startswith("Patient/")})
        digest = sha256_of(received.text)
        commits = commitment(rows, case, admitted, digest)
        done = Interaction(
            received.interaction, received.request_id, received.channel, touched, patients, commits=commits
        )
        audit = audit_event(done, replace(asker(), called=mapped.agent), now)
        rows.append(stored(audit, event, 1, number or resources.nobodys(event), now))
        identities.record(tx, items)
        cases.keep_message(tx, received.request_id, now, received.channel, number, digest, received.text)
        resources.append_versions(tx, rows)  # last, as it holds the end of an audit chain

    def engine(self) -> Source:
        """The version of the rules' Device that stands for this release and its site's thresholds."""
        if self._engine is None:
            now = instant(self._clock())
            self._engine = self._database.write(lambda tx: kept_engine(tx, self._version, self.site, now))
        return self._engine


def _own_references(items: Sequence[Identified], case: Case | None) -> set[str]:
    """References that need no look-up: the message's own resources and the case's."""
    own = {i.reference for i in items if i.what not in ("deleted", "gone")}
    if case:
        own |= {r for r in (case.patient, case.referral, case.task, case.physician, case.dental_office) if r}
    return own
