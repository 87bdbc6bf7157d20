"""What the pages for people read: the board, one case with its course and entries, an entry to be corrected."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from typing import Any

from sqlalchemy import Connection

from service.deciding.fact_rows import facts_of
from service.deciding.facts_anew import is_outdated
from service.deciding.state import state_in
from service.errors import Category, refuse
from service.fhir.build import Resource, sid
from service.fhir.facts.assemble import assemble
from service.fhir.json_text import load
from service.fhir.reading import reference_of
from service.inbound.entry_reading import EntryPart, identities_of, part_of
from service.pipeline.reading import Reads
from service.pipeline.telephones import Telephone, telephones_of
from service.rows import Case, Stored, split
from service.rules.course import Course, course_on
from service.rules.facts import CaseFacts, effective_day
from service.rules.source import Source
from service.store import board, cases, entries, resources
from service.store.board import BoardRow, Filter

LAST, _MOST = 8, 10_000
"""How many entries are the last ones, and how many versions of entries are read at most."""
_WHY = re.compile(r'"why": ?("(?:[^"\\]|\\.)*")')


@dataclass(frozen=True, slots=True)
class OnBoard:
    """A case on the board: its row, the patient's name, and the sentence that says what is waiting."""

    row: BoardRow
    patient: str
    why: str


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a resource that people sent: `Type/id`, its number, when it was stored, and its content."""

    reference: str
    version: int
    at: str
    resource: Resource


class Entries(Enum):
    """Which entries of a case are read: none, the last ones by day as they stand, or all, also what was withdrawn."""

    NONE = "none"
    LAST = "last"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class CaseRead:
    """A case for its page: the data of today's decision, the course with every fact, people, and versions of entries.

    `telephones` are the numbers of its offices. The versions of a resource are in order.
    """

    data: dict[str, Any]
    course: Course
    people: dict[str, Resource]
    entries: list[Version] = field(default_factory=list)
    telephones: Mapping[str, Telephone] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A case that waits for an office: today's decision, the patient's name, the proposed test that is open."""

    data: dict[str, Any]
    patient: str
    proposal: str


@dataclass(frozen=True, slots=True)
class EntryRead:
    """An entry as it stands: its fields as in a plain message, the revision that counts, whether it is withdrawn."""

    kind: str
    entry_id: str
    fields: dict[str, Any]
    revision: int
    withdrawn: bool


def board_page(reads: Reads, wanted: Filter, after: tuple[str, str] | None, limit: int) -> list[OnBoard]:
    """A page of the board."""

    def work(tx: Connection) -> list[OnBoard]:
        rows = board.page_of(tx, wanted, after, limit)
        people = resources.current_of(tx, [split(r.patient) for r in rows])
        named = {f"{kind}/{i}": name_of(load(held.body)) for (kind, i), held in people.items() if not held.deleted}
        return [OnBoard(r, named.get(r.patient, ""), _why(r)) for r in rows]

    return reads.database.read(work)


def _why(row: BoardRow) -> str:
    found = _WHY.search(row.summary_start)
    return str(load(f"[{found[1]}]")[0]) if found else ""


def waiting_for(reads: Reads, mover: str, stage: str, limit: int) -> list[Waiting]:
    """Cases at a stage that wait for an office, with their whole decision, longest waiting first.

    One that this release has not decided yet has no decision to be shown whole, and is left to the board.
    """

    def work(tx: Connection) -> list[Waiting]:
        found = [cases.get(tx, r.case_number) for r in board.page_of(tx, Filter(mover, stage), None, limit)]
        held = [c for c in found if c is not None and not is_outdated(c)]
        people = resources.current_of(tx, [split(c.patient) for c in held])
        named = {f"{kind}/{i}": name_of(load(p.body)) for (kind, i), p in people.items() if not p.deleted}
        return [Waiting(load(c.summary), named.get(c.patient, ""), _proposal(c)) for c in held]

    return reads.database.read(work)


def is_case(reads: Reads, case_number: str) -> bool:
    """Whether there is a case of that number for whoever asks."""
    return reads.database.read(lambda tx: cases.get(tx, case_number)) is not None


def case_read(reads: Reads, case_number: str, wanted: Entries) -> CaseRead:
    """A case for its page, decided today, with the entries wanted. 404 when it is not here."""

    def work(tx: Connection, data: dict[str, Any]) -> CaseRead:
        course = course_on(assemble(facts_of(cases.facts(tx, case_number))), reads.today(), reads.site.thresholds)
        people = {r for name in ("patient", "physician", "dental_office") if (r := data["resources"].get(name))}
        last = set(_last_entries(course.known)) if wanted is Entries.LAST else set[str]()
        held = resources.versions_of(tx, [split(r) for r in sorted(people | last)])
        told = [_version(h) for h in held if not h.deleted]
        entered = [v for v in told if v.reference in last]
        if wanted is Entries.ALL:
            entered = [_version(h) for h in entries.versions_of_entries(tx, case_number, _MOST)]
        return CaseRead(
            data,
            course,
            people={v.reference: v.resource for v in told if v.reference in people},
            entries=entered,
            telephones=telephones_of(
                tx, data["resources"].get("physician"), data["resources"].get("dental_office"), reads.site
            ),
        )

    return reads.case_and(case_number, work)


def _version(held: Stored) -> Version:
    return Version(f"{held.type}/{held.id}", held.version, held.last_updated, load(held.body))


def _last_entries(known: CaseFacts) -> Iterator[str]:
    """References of the resources that tell the last entries by their days; what was withdrawn is not among them."""
    licence = [s for name, s in known.referral.told_in if name == "dentist_licensed"] if known.referral else []
    told: list[tuple[date, Source, list[Source]]] = [
        *((effective_day(a), a.source, [a.source, *licence]) for a in known.assessments),
        *((effective_day(a), a.source, [a.source, a.limits_from]) for a in known.appliances),
    ]
    for kind in (known.settings, known.check_ins, known.side_effects, known.red_flags, known.red_flag_closures):
        told += [(effective_day(f), f.source, [f.source]) for f in kind]
    for kind in (known.sleep_tests, known.test_orders, known.physician_decisions, known.visits):
        told += [(effective_day(f), f.source, [f.source]) for f in kind]
    if known.referral:
        told.append((known.referral.day, known.referral.source, [known.referral.source]))
    for _, _, sources in sorted(told, reverse=True)[:LAST]:
        yield from (s.reference for s in sources)


def entry_read(reads: Reads, case_number: str, kind: str, entry_id: str) -> EntryRead:
    """An entry that came by plain message, to be corrected. 404 when it is not here."""
    keys = identities_of(kind, case_number, entry_id)

    def work(tx: Connection) -> EntryRead:
        if cases.get(tx, case_number) is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        known = resources.find_identities(tx, keys)
        held = resources.current_of(
            tx, [(kind_, known[kind_, s, v][0]) for kind_, s, v in keys if (kind_, s, v) in known]
        )
        parts = [p for h in held.values() if not h.deleted and (p := part_of(load(h.body)))]
        if not parts:
            raise refuse(Category.NOT_FOUND, f"There is no entry «{entry_id}» of that kind in case {case_number}.")
        revision = max(revision for _, revision in known.values())
        return EntryRead(kind, entry_id, joined(parts), revision, any(p.withdrawn for p in parts))

    return reads.database.read(work)


def joined(parts: list[EntryPart]) -> dict[str, Any]:
    """The fields of an entry from its parts; a withdrawn part beside one that stands tells nothing."""
    standing = [p for p in parts if not p.withdrawn] or parts
    return {name: value for part in standing for name, value in part.fields.items()}


def open_proposal(reads: Reads, case_number: str) -> str:
    """The id of the proposed efficacy test that waits for the physician's order; empty when there is none."""
    held = reads.database.read(lambda tx: cases.get(tx, case_number))
    if held is None:
        raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
    return _proposal(held)


def _proposal(case: Case) -> str:
    proposals = state_in(case).proposals
    return max(((on, i) for i, (on, status) in proposals.items() if status == "draft"), default=("", ""))[1]


def laboratory_of(reads: Reads, case_number: str, own: str) -> tuple[str, str]:
    """Number and name of a laboratory: of `own`, else of the one that reported the last test of a case; empty if untold."""

    def work(tx: Connection) -> tuple[str, str]:
        def body(address: str) -> Resource:
            held = resources.current(tx, *split(address)) if address else None
            return load(held.body) if held and not held.deleted else {}

        address = own
        if not address:
            tests = assemble(facts_of(cases.facts(tx, case_number))).sleep_tests
            last = max(tests, key=lambda t: (t.day, t.source), default=None)
            performers = body(last.source.reference).get("performer") or [{}] if last else [{}]
            address = reference_of(performers[0]) or ""
        held = body(address) if address.startswith("Organization/") else {}
        numbers = [i.get("value", "") for i in held.get("identifier", []) if i.get("system") == sid("organization")]
        return (str(numbers[0]), name_of(held)) if numbers else ("", "")

    return reads.case_and(case_number, lambda tx, _: work(tx))


def name_of(resource: Resource) -> str:
    """The name of a person or an organisation; empty when none is told."""
    held = resource.get("name")
    if isinstance(held, str):
        return held
    for one in held if isinstance(held, list) else []:
        told = " ".join([*one.get("given", []), *([one["family"]] if one.get("family") else [])])
        if told or one.get("text"):
            return told or str(one["text"])
    return ""
