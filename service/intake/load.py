"""The reading end of the story: answers the questions that a plan raises, in one transaction, and makes the plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Connection

from service.deciding.snapshot import NotLoaded, QuestionKind, Snapshot, StoreQuestion
from service.fhir.search_conditions import Sort
from service.fhir.search_query import search_of
from service.rows import Key
from service.store import cases, directory, parties, query, resources, search, search_chains

T = TypeVar("T")
About = tuple[Any, ...]
_MOST_ROUNDS = 60
"""More rounds of questions than any message raises; what goes beyond is a fault of a plan."""


def planned(
    connection: Connection,
    plan: Callable[[Snapshot], T],
    moment: datetime | None = None,
    only_looks: bool = False,
) -> T:
    """What `plan` makes of what is stored. `moment` is what a search by time in it is relative to.

    What was loaded before a case is locked may have been changed meanwhile, and is loaded again under the lock. A plan
    that `only_looks` waits for nobody: nothing is locked.
    """
    loading = _Loading(connection, moment, only_looks)
    for _ in range(_MOST_ROUNDS):
        try:
            return plan(Snapshot(loading.answers, query.caller_of(connection).organisation))
        except NotLoaded as missing:
            loading.answer(missing.questions)
    raise AssertionError("a plan asks without end")


class _Loading:
    def __init__(self, connection: Connection, moment: datetime | None, only_looks: bool) -> None:
        self._connection = connection
        self._moment = moment
        self._only_looks = only_looks
        self.answers: dict[StoreQuestion, Any] = {}

    def answer(self, questions: Sequence[StoreQuestion]) -> None:
        by_kind: defaultdict[tuple[QuestionKind, bool], list[About]] = defaultdict(list)
        for question in questions:
            by_kind[question.kind, question.as_service].append(question.about)
        if any(kind is QuestionKind.LOCKED_CASE for kind, _ in by_kind):
            kept = (QuestionKind.LOCKED_CASE, QuestionKind.TURN)
            self.answers = {q: answer for q, answer in self.answers.items() if q.kind in kept}
        for kind in _IN_ORDER:
            for as_service in (False, True):
                if abouts := by_kind.get((kind, as_service)):
                    with query.as_the_service(self._connection) if as_service else nullcontext():
                        found = self._answers(kind, abouts)
                    self.answers |= {StoreQuestion(kind, about, as_service): found[about] for about in abouts}

    def _answers(self, kind: QuestionKind, abouts: list[About]) -> dict[About, Any]:
        """Every answer of a kind, in one statement where the store has one for many."""
        if kind is QuestionKind.TURN:
            return {about: self._turn(about[0]) for about in sorted(abouts)}
        if kind is QuestionKind.LOCKED_CASE and not self._only_looks:
            return {about: cases.lock(self._connection, about[0]) for about in sorted(abouts)}
        if kind is QuestionKind.SEARCHED:
            return {about: self._searched(*about) for about in abouts}
        if kind in _MANY:
            return _MANY[kind](self._connection, abouts)
        return {about: _ONE[kind](self._connection, *about) for about in abouts}

    def _turn(self, text: str) -> bool:
        if not self._only_looks:
            search.take_turn(self._connection, text)
        return True

    def _searched(self, kind: str, pairs: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
        assert self._moment is not None, "a plan that searches has a moment"
        asked = search_of(kind, pairs, "", self._moment, strict=True)
        conditions = search_chains.resolved(self._connection, kind, asked.conditions)
        return tuple(f.id for f in search.page(self._connection, kind, conditions, Sort(), None, 2))


def _current(connection: Connection, keys: list[About]) -> dict[About, Any]:
    if len(keys) == 1:
        return {keys[0]: resources.current(connection, *keys[0])}
    found = resources.current_of(connection, [_key(about) for about in keys])
    return {about: found.get(_key(about)) for about in keys}


def _case_of(connection: Connection, keys: list[About]) -> dict[About, Any]:
    found = resources.cases_of(connection, [_key(about) for about in keys])
    return {about: found.get(_key(about)) for about in keys}


def _given(connection: Connection, numbers: list[About]) -> dict[About, Any]:
    found: dict[About, list[Any]] = {number: [] for number in numbers}
    for row in resources.identity_rows(connection, [(n[0], n[1], n[2]) for n in numbers]):
        found[row.number].append(row)
    return found


def _readers(connection: Connection, keys: list[About]) -> dict[About, Any]:
    found: dict[About, dict[str, bool]] = {key: {} for key in keys}
    for key, organisation, wrote in parties.readers_of(connection, [_key(about) for about in keys]):
        found[key][organisation] = wrote
    return found


def _registered(connection: Connection, references: list[About]) -> dict[About, Any]:
    found = directory.registered(connection, [about[0] for about in references])
    return {about: about[0] in found for about in references}


def _key(about: About) -> Key:
    return about[0], about[1]


_MANY: dict[QuestionKind, Callable[[Connection, list[About]], dict[About, Any]]] = {
    QuestionKind.CURRENT: _current,
    QuestionKind.CASE_OF: _case_of,
    QuestionKind.GIVEN: _given,
    QuestionKind.READERS: _readers,
    QuestionKind.REGISTERED: _registered,
}
_ONE: dict[QuestionKind, Callable[..., Any]] = {
    QuestionKind.LOCKED_CASE: cases.get,
    QuestionKind.CASE: cases.get,
    QuestionKind.WITH_IDENTIFIER: lambda tx, *about: tuple(dict.fromkeys(resources.find_by_identifier(tx, *about))),
    QuestionKind.CASES_OF_PATIENT: lambda tx, patient: tuple(cases.of_patient(tx, [patient])),
    QuestionKind.FACTS: lambda tx, number, read_only: tuple(cases.facts(tx, number, in_use_only=read_only)),
    QuestionKind.MENTIONING: lambda tx, number, reference: tuple(resources.mentioning(tx, number, reference)),
    QuestionKind.SENT: lambda tx, number: tuple(resources.sent_of_case(tx, number)),
    QuestionKind.PARTIES: lambda tx, number: frozenset(parties.of_case(tx, number)),
    QuestionKind.WAITING: lambda tx, number: tuple(directory.waiting_of(tx, number)),
    QuestionKind.BOUND: directory.bound_to,
}
_IN_ORDER = (
    QuestionKind.LOCKED_CASE,
    QuestionKind.TURN,
    *(kind for kind in QuestionKind if kind not in (QuestionKind.LOCKED_CASE, QuestionKind.TURN)),
)
"""Locks and turns first, so that everything else is read under them."""
