"""Decisions made anew from what is stored: the same inputs, thresholds and day must give the same bytes.

Every moment of a case is rebuilt from the resource versions that were current at it, and from the version of the
rules' Device that the decision names. Nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from sqlalchemy import Connection

from service.fhir.build import Resource, ref
from service.fhir.decision_observation import About
from service.fhir.engine import is_engine, site_of
from service.fhir.json_text import load
from service.fhir.read_facts import StoredFact, assemble, read
from service.fhir.read_other import with_moves
from service.pipeline import decide
from service.pipeline.derived import Derived, stored
from service.rules.case_view import view_case
from service.rules.site import Site
from service.rules.source import Source
from service.store import cases, resources
from service.store.caller import ALL_SEEING
from service.store.cases import Case
from service.store.engine import Database
from service.store.resources import Stored


@dataclass(frozen=True, slots=True)
class Replayed:
    """How many decisions of a case were made anew, and `Type/id/_history/version` of those that came out otherwise."""

    case_number: str
    decisions: int
    differing: tuple[str, ...]


def replay(database: Database, case_number: str) -> Replayed | None:
    """Every stored decision of a case made anew; None when there is no such case."""
    return database.seen_by(ALL_SEEING).read(lambda tx: _replay(tx, case_number))


def case_numbers(database: Database, after: str, limit: int = 200) -> list[str]:
    """Numbers of cases behind `after`, in order."""
    return database.seen_by(ALL_SEEING).read(lambda tx: cases.numbers(tx, after, limit))


def _replay(tx: Connection, case_number: str) -> Replayed | None:
    case = cases.get(tx, case_number)
    if case is None:
        return None
    birth_date = Derived.of(case_number, case.derived).birth_date
    facts: dict[str, StoredFact] = {}
    sites: dict[str, Site] = {}
    count, differing = 0, []
    rows = resources.of_case(tx, case_number)
    for _, group in groupby(rows, key=lambda row: row.last_updated):
        decided: list[tuple[Stored, Resource]] = []
        for row in group:
            body = load(row.body)
            if row.type == "Observation" and is_engine(body.get("device")):
                decided.append((row, body))
                continue
            small, _ = read(body, row.type)
            source = Source(f"{row.type}/{row.id}", row.version)
            before = facts.pop(source.reference, None)
            if small and small["kind"] == "task":
                small = with_moves(small, before.small if before else None)
            if small is not None:
                facts[source.reference] = StoredFact(source, small)
        for row, anew in _made_anew(tx, case, decided, facts, sites, birth_date):
            count += 1
            if anew != row.body:
                differing.append(f"{row.type}/{row.id}/_history/{row.version}")
    return Replayed(case_number, count, tuple(differing))


def _made_anew(
    tx: Connection,
    case: Case,
    decided: list[tuple[Stored, Resource]],
    facts: dict[str, StoredFact],
    sites: dict[str, Site],
    birth_date: str,
) -> Iterator[tuple[Stored, str]]:
    """The decisions of one moment, each with the text it has when made anew; empty when it is not made at all."""
    if not decided:
        return
    first = decided[0][1]
    engine = first["device"]["reference"]
    if engine not in sites:
        sites[engine] = site_of(load(_engine_version(tx, engine).body))
    known = decide.with_birth_date(assemble(facts.values()), birth_date)
    view = view_case(known, sites[engine], date.fromisoformat(first["effectiveDateTime"]))
    about = About(ref(case.patient), ref(case.referral), _source(engine))
    made = {held["id"]: held for held in decide.decided(view, case.case_number, about)}
    for row, _ in decided:
        resource = made.get(row.id)
        yield row, stored(resource, row.id, row.version, row.case_number, row.last_updated).body if resource else ""


def _engine_version(tx: Connection, reference: str) -> Stored:
    kind, resource_id = _source(reference).reference.split("/")
    held = resources.version(tx, kind, resource_id, _source(reference).version)
    assert held is not None, "a decision names a version of the rules that is stored"
    return held


def _source(reference: str) -> Source:
    address, version = reference.split("/_history/")
    return Source(address, int(version))
