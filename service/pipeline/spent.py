"""Fact rows that decisions no longer read: marked when a case is decided, loaded again for anything late.

Which facts a decision can still depend on is told by the rules (`rules/needed.py`), for the days from one day on
(`derived.spent_before`) and for one version of the rules and thresholds (`derived.spent_by`). So the cost of a message
does not grow with the course of a case; and a late or corrected fact recomputes everything from all facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import Connection

from service.fhir.build import SHARED
from service.fhir.facts.fact import Fact, StoredFact, day_reported
from service.pipeline.derived import Derived
from service.pipeline.fact_rows import facts_of, split
from service.pipeline.identify import Identified
from service.rules.facts import CaseFacts
from service.rules.needed import needed
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from service.store import cases

# Reports of the last weeks arrive late every day, and are not worth loading a whole course for.
_LATE_DAYS = 28


@dataclass(frozen=True, slots=True)
class HeldFacts:
    """Facts of a case as loaded: all of them when `whole`, with the references of those that were marked as spent."""

    facts: list[StoredFact]
    whole: bool
    spent: frozenset[str] = frozenset()


def held_facts(connection: Connection, derived: Derived, engine: Source, day: date, late: bool = False) -> HeldFacts:
    """The facts that a decision of `day` reads; all of them when something `late` came, or the marks do not hold."""
    whole = late or not _marks_hold(derived, engine, day)
    rows = cases.facts(connection, derived.case_number, in_use_only=not whole)
    spent = frozenset(f"{row.type}/{row.id}" for row in rows if row.spent)
    return HeldFacts(facts_of(rows), whole, spent)


def is_late(items: Iterable[Identified], read_facts: dict[str, Fact | None], derived: Derived) -> bool:
    """Whether a message says anything of the days before the marks hold, or corrects what was said before."""
    for item in items:
        if not item.written or item.draft.type in SHARED or item.draft.type == "Task":
            continue
        fact = read_facts.get(item.reference)
        day = day_reported(fact) if fact else None
        if item.what != "created" or (day and day.isoformat() < derived.spent_before):
            return True
    return False


def in_use(
    facts: CaseFacts, held: HeldFacts, derived: Derived, engine: Source, thresholds: Thresholds, on: date
) -> CaseFacts:
    """The facts that decisions from `on` on read, and some weeks' worth of late ones; noted from which day that holds."""
    since = on - timedelta(days=_LATE_DAYS)
    if not held.whole:
        since = max(since, date.fromisoformat(derived.spent_before))
    derived.spent_before, derived.spent_by = since.isoformat(), engine.version
    return needed(facts, thresholds, since)


def mark(
    connection: Connection,
    derived: Derived,
    held: HeldFacts,
    facts: CaseFacts,
    used: CaseFacts,
    rewritten: Iterable[str] = (),
) -> None:
    """Mark the rows of `facts` that are not in `used`, and take marks back from those that are.

    Rows `rewritten` since they were loaded, by reference, carry no mark.
    """
    spent, marked = _references(facts) - _references(used), held.spent.difference(rewritten)
    cases.mark_facts(connection, derived.case_number, _keys(spent - marked), spent=True)
    cases.mark_facts(connection, derived.case_number, _keys(marked - spent), spent=False)


def _marks_hold(derived: Derived, engine: Source, day: date) -> bool:
    return bool(derived.spent_before) and derived.spent_by == engine.version and day.isoformat() >= derived.spent_before


def _references(facts: CaseFacts) -> set[str]:
    """The references of the facts that can be spent at all."""
    kinds: Sequence[Sequence] = (facts.settings, facts.check_ins, facts.side_effects, facts.red_flags)
    return {fact.source.reference for kind in kinds for fact in kind}


def _keys(references: Iterable[str]) -> list[tuple[str, str]]:
    return [split(reference) for reference in sorted(references)]
