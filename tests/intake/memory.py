"""A store in memory for plans: it answers their questions from dicts and takes their changes. No database, no clock.

Everything is visible to everybody; what an organisation may see is a matter of the real store's queries.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import partial
from typing import Any

from service.access.grant import Grant, Office, scopes_of
from service.deciding.house import House, Occasion
from service.deciding.snapshot import NotLoaded, QuestionKind, Snapshot, StoreQuestion
from service.fhir.engine import ENGINE_ID
from service.fhir.json_text import load, write
from service.inbound.fhir_bundle import map_bundle
from service.inbound.fhir_single import map_create, map_delete, map_update
from service.inbound.plain import Mapped
from service.intake.change import Change, PlannedChange
from service.intake.message import Incoming, Received
from service.intake.plan import plan_change
from service.intake.sender import Sender
from service.rows import Case, FactText, GivenNumber, Key, Notice, Stored, WaitingParty
from service.rules.site import Site
from service.rules.source import Source
from service.web.intake_api import DOORS

DOOR_BY_NAME = {door.name: door for door in DOORS}
TODAY = date(2026, 11, 20)


@dataclass
class Memory:
    """What is stored, and how often a plan had to be made anew for the last message."""

    versions: dict[Key, list[Stored]] = field(default_factory=dict)
    cases: dict[str, Case] = field(default_factory=dict)
    facts: dict[tuple[str, str, str], FactText] = field(default_factory=dict)
    numbers: list[GivenNumber] = field(default_factory=list)
    parties: dict[str, set[tuple[str, str]]] = field(default_factory=dict)
    readers: dict[Key, dict[str, bool]] = field(default_factory=dict)
    waiting: list[WaitingParty] = field(default_factory=list)
    bindings: dict[tuple[tuple[str, str, str], str], str] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    rounds: int = 0
    refuses_unknown_offices: bool = False

    # what is asked

    def answer(self, question: StoreQuestion) -> Any:
        kind, about = question.kind, question.about
        if kind is QuestionKind.TURN:
            return True
        if kind in (QuestionKind.LOCKED_CASE, QuestionKind.CASE):
            return self.cases.get(about[0])
        if kind is QuestionKind.CURRENT:
            return (self.versions.get((about[0], about[1])) or [None])[-1]
        if kind is QuestionKind.CASE_OF:
            found = self.versions.get((about[0], about[1]))
            return found[0].case_number if found else None
        if kind is QuestionKind.GIVEN:
            return [row for row in self.numbers if row.number == about]
        if kind is QuestionKind.WITH_IDENTIFIER:
            kind_of, system, value = about
            rows = [r for r in self.numbers if (r.number[0], r.number[2]) == (kind_of, value)]
            return tuple(dict.fromkeys(r.id for r in rows if system in (None, r.number[1])))
        return self._of_a_case(kind, about)

    def _of_a_case(self, kind: QuestionKind, about: tuple[Any, ...]) -> Any:
        if kind is QuestionKind.CASES_OF_PATIENT:
            return tuple(sorted(n for n, case in self.cases.items() if case.patient == about[0]))
        if kind is QuestionKind.FACTS:
            rows = [row for (number, *_), row in self.facts.items() if number == about[0]]
            return tuple(row for row in rows if not (about[1] and row.spent))
        if kind is QuestionKind.MENTIONING:
            rows = [rows[-1] for rows in self.versions.values() if rows[-1].case_number == about[0]]
            own = ("AuditEvent", "Provenance")
            return tuple(r for r in rows if f'"{about[1]}' in r.body and r.type not in own)
        if kind is QuestionKind.SENT:
            every = [r for rows in self.versions.values() for r in (rows if rows[0].type == "Task" else rows[-1:])]
            own = ("AuditEvent", "Provenance")
            found = [r for r in every if r.case_number == about[0] and r.type not in own]
            return tuple(sorted(found, key=lambda r: (r.last_updated, r.type, r.id, r.version)))
        if kind is QuestionKind.PARTIES:
            return frozenset(self.parties.get(about[0], ()))
        if kind is QuestionKind.READERS:
            return dict(self.readers.get((about[0], about[1]), {}))
        if kind is QuestionKind.WAITING:
            return tuple(row for row in self.waiting if row.case_number == about[0])
        if kind is QuestionKind.REGISTERED:
            return about[0] in self.bindings.values()
        if kind is QuestionKind.BOUND:
            number, sender = about
            return self.bindings.get((number, sender)) or self.bindings.get((number, ""), "")
        raise AssertionError(f"nobody answers {kind}")

    # what is sent

    def plan(self, received: Received, mapped: Mapped, case_number: str | None = None) -> PlannedChange:
        """The change that a message comes to, by as many rounds of questions as it takes."""
        answers: dict[StoreQuestion, Any] = {}
        incoming = Incoming(received, mapped, case_number)
        organisation = received.sender.organisation
        for rounds in range(60):
            try:
                found = plan_change(Snapshot(answers, organisation), incoming, self.occasion(), self.house())
                self.rounds = rounds
                return found
            except NotLoaded as missing:
                answers |= {question: self.answer(question) for question in missing.questions}
        raise AssertionError("a plan asks without end")

    def occasion(self) -> Occasion:
        return Occasion(datetime(2026, 11, 20, 9, tzinfo=UTC), TODAY, f"{len(self.messages)}".encode())

    def house(self) -> House:
        return House(Site(), Source(f"Device/{ENGINE_ID}", 1), self.refuses_unknown_offices)

    def take(self, received: Received, mapped: Mapped, case_number: str | None = None) -> PlannedChange:
        """Plan a message and apply what it comes to."""
        before = copy.deepcopy(mapped)
        found = self.plan(received, mapped, case_number)
        assert mapped == before, "a plan writes nothing into what it is given"
        self.apply(found.change)
        return found

    def post(self, door: str, body: dict[str, Any], number: str | None = None, sender: Sender | None = None) -> Any:
        """A plain message, as its door takes it."""
        one = DOOR_BY_NAME[door]
        mapping = partial(one.mapping, case_number=number) if one.of_a_case and one.needs_number else one.mapping
        received = Received(f"intake {door}", write(body).encode(), self._id(), True, sender=sender or Sender(one.role))
        return self.take(received, mapping(load(write(body))), number)

    def bundle(self, body: dict[str, Any], sender: Sender | None = None) -> PlannedChange:
        """A transaction."""
        received = self._fhir("transaction", body, sender)
        return self.take(received, map_bundle(body))

    def create(self, body: dict[str, Any], sender: Sender | None = None, condition: str | None = None) -> PlannedChange:
        return self.take(self._fhir("create", body, sender), map_create(body, body["resourceType"], condition))

    def update(self, body: dict[str, Any], sender: Sender | None = None, version: int | None = None) -> PlannedChange:
        kind, name = body["resourceType"], body["id"]
        match = f'W/"{version or self.versions[kind, name][-1].version}"'
        return self.take(self._fhir("update", body, sender), map_update(body, kind, name, match))

    def delete(self, kind: str, name: str, sender: Sender | None = None) -> PlannedChange:
        return self.take(self._fhir("delete", {}, sender), map_delete(kind, name, None))

    def _fhir(self, what: str, body: dict[str, Any], sender: Sender | None) -> Received:
        return Received(f"fhir {what}", write(body).encode(), self._id(), False, what, sender or Sender())

    def _id(self) -> str:
        return f"m{len(self.messages)}"

    # what is written

    def apply(self, change: Change) -> None:
        """Take a change over, as the real store does."""
        admission = change.admission
        self.waiting = [
            row
            for row in self.waiting
            if (row.case_number, row.part) not in {(admission.case_number, part) for part in admission.waits_no_more}
        ] + list(admission.waits)
        self.parties.setdefault(admission.case_number, set()).update(admission.parties)
        for key, organisation, wrote in admission.reads:
            assert organisation not in self.readers.get(key, {}), "it reads this already"
            self.readers.setdefault(key, {})[organisation] = wrote
        for key, organisation in admission.writes:
            self.readers[key][organisation] = True
        for of_case in change.cases:
            number = of_case.case.case_number
            assert of_case.is_new == (number not in self.cases)
            self.cases[number] = of_case.case
            self._apply_facts(number, of_case)
            self.notices += [of_case.notice] if of_case.notice else []
        self.numbers = [r for r in self.numbers if (r.number[0], r.id) not in change.identities.freed]
        for kind, system, value, name, revision in change.identities.added:
            self.numbers.append(GivenNumber((kind, system, value), name, revision, ""))
        raised = {(number, name): revision for number, name, revision in change.identities.raised}
        self.numbers = [replace(r, revision=raised.get((r.number, r.id), r.revision)) for r in self.numbers]
        for row in change.rows:
            versions = self.versions.setdefault((row.type, row.id), [])
            assert row.version == len(versions) + 1, f"{row.reference} has a gap"
            versions.append(row)
        self.messages += [change.message.id] if change.message else []

    def _apply_facts(self, number: str, of_case: Any) -> None:
        if of_case.facts.every:
            self.facts = {key: row for key, row in self.facts.items() if key[0] != number}
        for kind, name in of_case.facts.dropped:
            del self.facts[number, kind, name]
        for row in of_case.facts.added:
            assert (number, row.type, row.id) not in self.facts
            self.facts[number, row.type, row.id] = row
        for keys, spent in ((of_case.marks.superseded, True), (of_case.marks.read_again, False)):
            for kind, name in keys:
                self.facts[number, kind, name] = replace(self.facts[number, kind, name], spent=spent)


def client(organisation: str, office: Office, scopes: str = "system/*.cruds") -> Sender:
    """A client of an organisation with access control on."""
    return Sender(grant=Grant("client", frozenset({office}), f"Organization/{organisation}", scopes_of([scopes])))
