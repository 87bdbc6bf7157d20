"""Facts that decisions no longer read: marked when a case is decided, loaded again for anything late.

Which facts a decision can still depend on is a matter of the rules (`rules/needed.py`), for the days from one day on
(`CaseState.superseded_before`) and for one version of the rules and thresholds (`superseded_by_rules`). So the cost of a
message does not grow with the course of a case; and a late or corrected fact recomputes everything from all facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.deciding.fact_rows import facts_of
from service.deciding.house import House
from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState
from service.fhir.facts.fact import StoredFact
from service.rows import Key, split
from service.rules.facts import CaseFacts
from service.rules.needed import needed
from service.rules.source import Source

# Reports of the last weeks arrive late every day, and are not worth loading a whole course for.
_LATE_DAYS = 28


@dataclass(frozen=True, slots=True)
class LoadedFacts:
    """Facts of a case as loaded: all of them when `whole`, with the references of those marked as superseded.

    With `read_anew` they come from the resources of the case, and the rows stored of them are replaced.
    """

    facts: tuple[StoredFact, ...] = ()
    whole: bool = True
    marked: frozenset[str] = frozenset()
    read_anew: bool = False


@dataclass(frozen=True, slots=True)
class FactMarks:
    """The facts, by (type, id), that decisions stop reading, and those that they read again."""

    superseded: tuple[Key, ...] = ()
    read_again: tuple[Key, ...] = ()


def loaded_facts(
    snapshot: Snapshot, case_number: str, state: CaseState, engine: Source, day: date, late: bool = False
) -> LoadedFacts:
    """The facts that a decision of `day` reads; all of them when something `late` came, or the marks are not right."""
    whole = late or not _marks_are_right(state, engine, day)
    rows = snapshot.facts(case_number, not whole)
    return LoadedFacts(tuple(facts_of(rows)), whole, frozenset(f"{row.type}/{row.id}" for row in rows if row.spent))


def still_read(
    facts: CaseFacts, loaded: LoadedFacts, state: CaseState, house: House, on: date
) -> tuple[CaseFacts, CaseState]:
    """The facts that decisions from `on` on read, and some weeks' worth of late ones; noted from which day that is so."""
    since = on - timedelta(days=_LATE_DAYS)
    if not loaded.whole:
        since = max(since, date.fromisoformat(state.superseded_before))
    state = state.but(superseded_before=since.isoformat(), superseded_by_rules=house.engine.version)
    return needed(facts, house.site.thresholds, since), state


def marks(loaded: LoadedFacts, facts: CaseFacts, read: CaseFacts, rewritten: Iterable[str] = ()) -> FactMarks:
    """The marks of `facts` that are not in `read`, and those taken back from facts that are.

    Rows `rewritten` since they were loaded, by reference, have no mark.
    """
    superseded, marked = _references(facts) - _references(read), loaded.marked.difference(rewritten)
    return FactMarks(_keys(superseded - marked), _keys(marked - superseded))


def _marks_are_right(state: CaseState, engine: Source, day: date) -> bool:
    return (
        bool(state.superseded_before)
        and state.superseded_by_rules == engine.version
        and day.isoformat() >= state.superseded_before
    )


def _references(facts: CaseFacts) -> set[str]:
    """The references of the facts that can be superseded at all."""
    kinds: Sequence[Sequence] = (facts.settings, facts.check_ins, facts.side_effects, facts.red_flags)
    return {fact.source.reference for kind in kinds for fact in kind}


def _keys(references: Iterable[str]) -> tuple[Key, ...]:
    return tuple(split(reference) for reference in sorted(references))
