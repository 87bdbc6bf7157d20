"""Decisions made anew from what is stored: the same inputs, thresholds and day must give the same bytes.

Every moment of a case is rebuilt from the resource versions that were current at it, and from the version of the
rules' Device that the decision names. Nothing is written. A decision of a rule's earlier version is not made anew, as
that version is no longer there: it comes out neither the same nor otherwise.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from sqlalchemy import Connection

from service.deciding import decide
from service.deciding.facts_anew import closing_in, fact_in
from service.deciding.state import state_in
from service.deciding.versions import as_version
from service.fhir.build import Resource, ref
from service.fhir.decision_observation import About, rule_of
from service.fhir.engine import is_engine, site_of
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.json_text import load
from service.rows import Case, Stored, split
from service.rules.case_view import view_case
from service.rules.site import Site
from service.rules.source import Source
from service.rules.versions import RULES
from service.store import cases, resources
from service.store.caller import ALL_SEEING
from service.store.engine import Database


@dataclass(frozen=True, slots=True)
class Replayed:
    """How many decisions of a case were made anew, and `Type/id/_history/version` of those that came out otherwise.

    `earlier` are those that were not made anew: rule, version and how many it made.
    """

    case_number: str
    decisions: int
    differing: tuple[str, ...]
    earlier: tuple[tuple[str, str, int], ...] = ()


def replay(database: Database, case_number: str) -> Replayed | None:
    """Every stored decision of a case made anew; None when there is no such case."""
    return database.seen_by(ALL_SEEING).read(lambda tx: _replay(tx, case_number))


def case_numbers(database: Database, after: str, limit: int = 200) -> list[str]:
    """Numbers of cases behind `after`, in order."""
    return database.seen_by(ALL_SEEING).read(lambda tx: cases.numbers(tx, after, limit))


def _replay(tx: Connection, case_number: str) -> Replayed | None:
    case = cases.get(tx, case_number)
    return replay_rows(tx, case, resources.of_case(tx, case_number)) if case is not None else None


def replay_rows(tx: Connection, case: Case, rows: Sequence[Stored]) -> Replayed:
    """Every decision among the versions of a case, given in the order of time, made anew."""
    birth_date = state_in(case).birth_date
    facts: dict[str, StoredFact] = {}
    sites: dict[str, Site | None] = {}
    count, differing, earlier = 0, list[str](), Counter[tuple[str, str]]()
    people = resources.versions_of(tx, [split(case.patient)])
    rows = sorted([*people, *rows], key=lambda row: row.last_updated)
    for _, group in groupby(rows, key=lambda row: row.last_updated):
        decided: list[tuple[Stored, Resource]] = []
        for row in group:
            if not row.deleted and row.type == "Observation" and is_engine((body := load(row.body)).get("device")):
                decided.append((row, body))
                continue
            source = Source(f"{row.type}/{row.id}", row.version)
            before = facts.pop(source.reference, None)
            fact = closing_in(row) if source.reference == case.patient else fact_in(row, before)[0]
            if fact is not None:
                facts[source.reference] = StoredFact(source, fact)
        kept = [(row, body) for row, body in decided if _is_of_today(tx, body, sites)]
        earlier.update(rule_of(body) for row, body in decided if (row, body) not in kept)
        for row, anew in _made_anew(case, kept, facts, sites, birth_date):
            count += 1
            if anew != row.body:
                differing.append(f"{row.type}/{row.id}/_history/{row.version}")
    made = tuple((rule, version, number) for (rule, version), number in sorted(earlier.items()))
    return Replayed(case.case_number, count, tuple(differing), made)


def _is_of_today(tx: Connection, decision: Resource, sites: dict[str, Site | None]) -> bool:
    """Whether a decision was made by a rule as it is today, with thresholds that there are today, which go into `sites`."""
    address, _, version = decision["device"]["reference"].partition("/_history/")
    rule, made_by = rule_of(decision)
    if RULES.get(rule) != made_by or not version:
        return False
    engine = decision["device"]["reference"]
    if engine not in sites:
        held = resources.version(tx, *split(address), int(version))
        sites[engine] = _site_of(load(held.body)) if held is not None else None
    return sites[engine] is not None


def _site_of(engine: Resource) -> Site | None:
    try:
        return site_of(engine)
    except ValueError:
        return None


def _made_anew(
    case: Case,
    decided: list[tuple[Stored, Resource]],
    facts: dict[str, StoredFact],
    sites: dict[str, Site | None],
    birth_date: str,
) -> Iterator[tuple[Stored, str]]:
    """The decisions of one moment, each with the text it has when made anew; empty when it is not made at all."""
    if not decided:
        return
    first = decided[0][1]
    engine = first["device"]["reference"]
    site = sites[engine]
    assert site is not None, "decisions of other releases are left out before"
    address, _, version = engine.partition("/_history/")
    known = decide.with_birth_date(assemble(facts.values()), birth_date)
    view = view_case(known, site, date.fromisoformat(first["effectiveDateTime"]))
    about = About(ref(case.patient), ref(case.referral), Source(address, int(version)))
    made = {held["id"]: held for held in decide.decided(view, case.case_number, about)}
    for row, _ in decided:
        resource = made.get(row.id)
        yield row, as_version(resource, row.id, row.version, row.case_number, row.last_updated).body if resource else ""
