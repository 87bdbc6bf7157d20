"""The governed directory: which organisations are registered, and which numbers stand for them. The operator's alone.

An organisation's name and numbers are what the operator typed; its resource says so to everybody. Every change of a binding
is an entry of the audit that the organisation can read, and what waited for the number is delivered at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from service.deciding.commitments import Admitted, commitment, touched_by
from service.deciding.snapshot import Snapshot
from service.deciding.versions import as_version, content_of, same_content
from service.errors import Category, Problem, Refused, refuse
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.build import Resource, identifier, sid
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.intake.apply import apply_admission
from service.intake.load import planned
from service.intake.parties.admitting import Admission, Admitting, offices_of
from service.new_id import new_id
from service.pipeline.pipeline import Pipeline
from service.rows import ANY_SENDER, EVERYBODY, Key, Number, Stored, WaitingParty, nobodys
from service.store import clients, directory, parties, people, resources
from service.store.caller import ALL_SEEING
from service.store.directory import Binding, Registered
from service.store.engine import Database

OPERATOR = "the operator"
_NOBODY = Admitted()
_KINDS = ("Organization", "Practitioner")
_LONGEST = 255


@dataclass(frozen=True, slots=True)
class Report:
    """What the operator should look at: parties that wait or are suspended, organisations without anybody."""

    waiting: list[WaitingParty]
    suspended: list[tuple[str, str, str]]
    idle: list[Registered]

    @property
    def is_empty(self) -> bool:
        """Whether nothing waits and nothing is suspended."""
        return not self.waiting and not self.suspended


class Directory:
    """The registered organisations of a database and the numbers bound to them."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._database = pipeline.database.seen_by(ALL_SEEING)

    def add(self, name: str, number: str, system: str = "") -> Registered:
        """Register an organisation under a number that every sender uses for it. Refused when the number is taken."""
        wanted = checked_number("Organization", system or sid("organization"), number)
        if not 0 < len(name.strip()) <= 200 or not name.isprintable():
            raise refuse(Category.INVALID, "A name of 1 to 200 letters is needed.", "name")
        now = instant(self._pipeline.now())

        def work(tx: Connection) -> Registered:
            if directory.binding(tx, wanted, ANY_SENDER):
                raise refuse(
                    Category.CONFLICT, f"The number «{number}» is bound already; see organisation list.", "number"
                )
            made = Registered(f"Organization/{self._unclaimed(tx, wanted) or new_id()}", name.strip(), now)
            directory.add(tx, made)
            directory.bind(tx, Binding(*wanted, ANY_SENDER, made.reference, now))
            told = f"{made.name} was registered under the number {number}"
            self._write(tx, made, told, now, Admitted(sees=(f"{made.reference} {EVERYBODY}",)))
            return made

        made = self._database.write(work)
        self._deliver(wanted)
        return made

    def known_as(self, number: str, name: str = "") -> str:
        """The registered organisation of a number, as `Organization/id`; registered under `name` when it is bound to none.

        Refused without a name then.
        """
        wanted = checked_number("Organization", sid("organization"), number)
        found = self._database.read(lambda tx: directory.bound_to(tx, wanted, ANY_SENDER))
        if found or name:
            return found or self.add(name, number).reference
        sentence = f"No organisation is registered under «{number[:80]}»; register it with organisation add."
        raise refuse(Category.INVALID, sentence, "organisation-id")

    def bind(self, reference: str, number: Number, sender: str = ANY_SENDER) -> int:
        """Bind one more number to a registered organisation; how many cases that delivered. Refused when it is taken."""
        now = instant(self._pipeline.now())

        def work(tx: Connection) -> None:
            made = self._registered(tx, reference)
            if sender:
                self._registered(tx, sender)
            held = directory.binding(tx, number, sender)
            if held and held.organisation != reference:
                sentence = f"«{number[2]}» is bound to {held.organisation}; unbind it first."
                raise refuse(Category.CONFLICT, sentence, "number")
            if held is None:
                directory.bind(tx, Binding(*number, sender, reference, now))
                whose = f" when {sender} uses it" if sender else ""
                self._write(tx, made, f"the number {number[2]} ({number[1]}) was bound to {reference}{whose}", now)

        self._database.write(work)
        return self._deliver(number)

    def unbind(self, number: Number, sender: str = ANY_SENDER) -> str:
        """Take a binding back; whose it was. What was delivered by it stays. Refused when there is none."""
        now = instant(self._pipeline.now())

        def work(tx: Connection) -> str:
            held = directory.binding(tx, number, sender)
            if held is None:
                raise refuse(Category.NOT_FOUND, f"«{number[2]}» of {number[1]} is bound to nobody here.", "number")
            directory.unbind(tx, held)
            whose = f" when {sender} uses it" if sender else ""
            told = f"the number {number[2]} ({number[1]}) is not bound to {held.organisation} any more{whose}"
            self._write(tx, self._registered(tx, held.organisation), told, now)
            return held.organisation

        return self._database.write(work)

    def accept(self, case_number: str = "") -> int:
        """Make the suspended parties of a case parties again, or of every case without one; how many there were."""
        now = instant(self._pipeline.now())

        def work(tx: Connection) -> int:
            held = [one for one in directory.suspended(tx) if case_number in ("", one[0])]
            for number, organisation, part in held:
                directory.restore(tx, number, organisation, part)
                told, event = f"{organisation} is a party to the case again, as {part}", new_id()
                sees = _let_read_offices(tx, organisation, number).sees
                commits = Commitment(number, parties=(f"{part} {organisation}",), sees=sees)
                done = Interaction("operation", event, told, [organisation], commits=commits)
                audit = as_version(audit_event(done, Asker(called=OPERATOR), now), event, 1, number, now)
                resources.append_versions(tx, [audit])
            return len(held)

        return self._database.write(work)

    def bring_up(self) -> None:
        """Let the resources of organisations that an earlier release registered tell the operator's name and numbers."""
        now = instant(self._pipeline.now())

        def work(tx: Connection) -> None:
            for one in directory.listed(tx):
                if not one.written_at:
                    told = f"{one.name} was registered by an earlier release; its name and numbers are the operator's"
                    self._write(tx, one, told, now)

        self._database.write(work)

    def _deliver(self, number: Number) -> int:
        """Deliver what waited for a number; how many cases."""
        waiting = self._database.read(lambda tx: directory.cases_waiting_for(tx, number))
        return sum(self._pipeline.deliver_waiting(case_number) for case_number in waiting)

    def _registered(self, tx: Connection, reference: str) -> Registered:
        found = next((one for one in directory.listed(tx) if one.reference == reference), None)
        if found is None:
            raise refuse(
                Category.NOT_FOUND, f"{reference[:80]} is not registered; see organisation list.", "organisation"
            )
        return found

    def _unclaimed(self, tx: Connection, number: Number) -> str:
        """The id of an entry that was made under a number while access control was off, so that no client wrote it."""
        for kind, resource_id in resources.unscoped(tx, number):
            if directory.registered(tx, [f"{kind}/{resource_id}"]):
                continue
            if not parties.writers_of(tx, (kind, resource_id)):
                return resource_id
        return ""

    def _write(self, tx: Connection, one: Registered, told: str, now: str, admitted: Admitted = _NOBODY) -> None:
        """Let an organisation's resource say what the operator says of it, and note the change in the audit."""
        resource_id = one.reference.removeprefix("Organization/")
        held = resources.current(tx, "Organization", resource_id)
        before = content_of(load(held.body)) if held and not held.deleted else {}
        numbers = [
            identifier(b.system, b.value)
            for b in directory.bindings(tx)
            if b.organisation == one.reference and b.kind == "Organization" and not b.sender
        ]
        body: Resource = {"resourceType": "Organization", "active": True, "name": one.name}
        if numbers:
            body["identifier"] = numbers
        is_own_word = one.written_at or parties.writers_of(tx, ("Organization", resource_id)) <= {one.reference}
        if is_own_word:
            body |= {name: before[name] for name in ("telecom", "address", "contact") if name in before}
        rows: list[Stored] = []
        if held is None or not same_content(held.body, body):
            rows = [as_version(body, resource_id, held.version + 1 if held else 1, "", now)]
        directory.wrote(tx, one.reference, now)
        self._note(tx, one.reference, told, now, (rows, admitted))

    def _note(
        self, tx: Connection, organisation: str, told: str, now: str, wrote: tuple[Sequence[Stored], Admitted]
    ) -> None:
        """Write rows with an entry of the audit of no case, which the organisation concerned may read."""
        event, (rows, admitted) = new_id(), wrote
        admitted += _let_read(tx, ("AuditEvent", event), organisation)
        done = Interaction(
            "operation", event, told, touched_by(rows, [organisation]), commits=commitment(rows, None, admitted)
        )
        audit = as_version(audit_event(done, Asker(called=OPERATOR), now), event, 1, nobodys(event), now)
        resources.append_versions(tx, [*rows, audit])


def _let_read(tx: Connection, key: Key, organisation: str) -> Admitted:
    """Let an organisation read a resource of no case."""

    def plan(snapshot: Snapshot) -> Admission:
        admitting = Admitting(snapshot)
        admitting.let_read([key], organisation)
        return admitting.result()

    return _admitted(tx, planned(tx, plan))


def _let_read_offices(tx: Connection, organisation: str, case_number: str) -> Admitted:
    """Let an organisation read the entries of the directory that the resources of a case refer to."""

    def plan(snapshot: Snapshot) -> Admission:
        admitting = Admitting(snapshot)
        admitting.let_read_offices([organisation], offices_of(snapshot, case_number))
        return admitting.result()

    return _admitted(tx, planned(tx, plan))


def _admitted(tx: Connection, admission: Admission) -> Admitted:
    apply_admission(tx, admission)
    return admission.admitted


def listed(database: Database) -> list[tuple[Registered, list[Binding]]]:
    """Every registered organisation with its bindings."""

    def work(tx: Connection) -> list[tuple[Registered, list[Binding]]]:
        bound = directory.bindings(tx)
        return [(one, [b for b in bound if b.organisation == one.reference]) for one in directory.listed(tx)]

    return database.read(work)


def report_of(database: Database) -> Report:
    """What waits for a binding, what is suspended, who is registered and has neither client nor person."""

    def work(tx: Connection) -> Report:
        used = {c.organisation for c in clients.listed(tx) if not c.revoked}
        used |= {p.organisation for p in people.listed(tx) if not p.revoked}
        idle = [one for one in directory.listed(tx) if one.reference not in used]
        return Report(directory.waiting(tx), directory.suspended(tx), idle)

    return database.read(work)


def checked_number(kind: str, system: str, value: str) -> Number:
    """A number as it is bound. Refused with every problem of it."""
    problems: list[Problem] = []
    for name, text in (("system", system), ("number", value)):
        if not 0 < len(text) <= _LONGEST or not text.isprintable() or text != text.strip():
            problems.append(
                Problem(Category.INVALID, f"A {name} has 1 to {_LONGEST} letters and no blank at its ends.", name)
            )
    if kind not in _KINDS:
        problems.append(Problem(Category.INVALID, f"A number is of one of {', '.join(_KINDS)}.", "kind"))
    if problems:
        raise Refused(problems)
    return kind, system, value
