"""What is stored of everything that a plan concerns: frozen answers to questions, loaded before the plan is made.

Which questions a message raises depends on what the first answers say. So a plan that asks for what is not loaded yet ends
with `NotLoaded`; whoever loads answers what is missing and has the plan made again from the start. A plan sees nothing
but these answers: the same snapshot gives the same plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from service.rows import EVERYBODY, Case, FactText, GivenNumber, Key, Number, Stored, WaitingParty


class QuestionKind(StrEnum):
    """What can be asked of the store."""

    LOCKED_CASE = "locked case"
    CASE = "case"
    TURN = "turn"
    CURRENT = "current version"
    CASE_OF = "case of a resource"
    GIVEN = "who gave a number"
    WITH_IDENTIFIER = "ids by identifier"
    SEARCHED = "ids by search"
    CASES_OF_PATIENT = "cases of a patient"
    FACTS = "facts"
    MENTIONING = "what mentions a resource"
    SENT = "resources sent of a case"
    PARTIES = "parties of a case"
    READERS = "who reads and wrote a resource"
    WAITING = "parties that wait"
    REGISTERED = "whether an organisation is registered"
    BOUND = "organisation bound to a number"


class StoreQuestion(NamedTuple):
    """One question: its kind, what it is about, and whether it is asked for the service itself, which sees every case."""

    kind: QuestionKind
    about: tuple[Any, ...]
    as_service: bool = False


class NotLoaded(Exception):
    """A plan needs answers that its snapshot does not have."""

    def __init__(self, questions: Iterable[StoreQuestion]) -> None:
        super().__init__()
        self.questions = tuple(questions)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Answers by their questions, and the organisation (`Organization/id`) for which they were loaded; None for every one.

    Each method returns what is stored, or raises NotLoaded with everything that it would need.
    """

    answers: Mapping[StoreQuestion, Any]
    organisation: str | None = None

    def _each(
        self, kind: QuestionKind, abouts: Iterable[tuple[Any, ...]], as_service: bool = False
    ) -> dict[tuple, Any]:
        questions = [StoreQuestion(kind, about, as_service) for about in dict.fromkeys(abouts)]
        missing = [question for question in questions if question not in self.answers]
        if missing:
            raise NotLoaded(missing)
        return {question.about: self.answers[question] for question in questions}

    def _one(self, kind: QuestionKind, *about: Any, as_service: bool = False) -> Any:
        question = StoreQuestion(kind, about, as_service)
        if question not in self.answers:
            raise NotLoaded((question,))
        return self.answers[question]

    def locked_case(self, number: str, as_service: bool = False) -> Case | None:
        """A case, which nobody else changes until the transaction ends."""
        return self._one(QuestionKind.LOCKED_CASE, number, as_service=as_service)

    def case(self, number: str, as_service: bool = False) -> Case | None:
        """A case."""
        return self._one(QuestionKind.CASE, number, as_service=as_service)

    def take_turns(self, texts: Iterable[str]) -> None:
        """Whoever else plans something of the same text waits until this transaction ends."""
        self._each(QuestionKind.TURN, ((text,) for text in texts))

    def current(self, reference: str) -> Stored | None:
        """The current version of a resource by its address, a deleted one too."""
        kind, slash, name = reference.partition("/")
        return self._one(QuestionKind.CURRENT, kind, name) if slash else None

    def current_of(self, keys: Iterable[Key]) -> dict[Key, Stored]:
        """The current versions of those of some resources that are here, by (type, id)."""
        found = self._each(QuestionKind.CURRENT, keys)
        return {(key[0], key[1]): row for key, row in found.items() if row is not None}

    def cases_of(self, keys: Iterable[Key]) -> dict[Key, str]:
        """The case each of some resources belongs to, of those that are here; shared ones have an empty case."""
        found = self._each(QuestionKind.CASE_OF, keys)
        return {(key[0], key[1]): number for key, number in found.items() if number is not None}

    def given(self, numbers: Iterable[Number]) -> list[GivenNumber]:
        """Every resource that was given one of some numbers."""
        return [row for rows in self._each(QuestionKind.GIVEN, numbers).values() for row in rows]

    def identities(self, numbers: Iterable[Number]) -> dict[Number, tuple[str, int]]:
        """The id and revision behind each number that is known.

        Of several the sender's own goes first, and before it what the operator bound, for this sender or for everybody.
        """
        return self.meant_by(self.given(numbers))

    def meant_by(self, rows: Iterable[GivenNumber]) -> dict[Number, tuple[str, int]]:
        """The id and revision behind each number of some rows."""
        return {row.number: (row.id, row.revision) for row in sorted(rows, key=self._rank)}

    def _rank(self, row: GivenNumber) -> tuple[bool, bool, str]:
        return row.scope.startswith(EVERYBODY), row.scope == (self.organisation or ""), row.scope

    def with_identifier(self, kind: str, system: str | None, value: str) -> tuple[str, ...]:
        """Ids of the resources of a type that have or had a business identifier; of any system when that is None."""
        return self._one(QuestionKind.WITH_IDENTIFIER, kind, system, value)

    def searched(self, kind: str, pairs: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
        """Ids of up to two resources of a type that meet a search."""
        return self._one(QuestionKind.SEARCHED, kind, pairs)

    def cases_of_patients(self, patients: Iterable[str], as_service: bool = False) -> list[str]:
        """Numbers of the cases of patients, in order."""
        found = self._each(QuestionKind.CASES_OF_PATIENT, ((patient,) for patient in patients), as_service)
        return sorted({number for numbers in found.values() for number in numbers})

    def facts(self, number: str, read_only: bool) -> tuple[FactText, ...]:
        """The fact rows of a case; with `read_only` those that decisions still read."""
        return self._one(QuestionKind.FACTS, number, read_only)

    def mentioning(self, number: str, reference: str) -> tuple[Stored, ...]:
        """Current resources of a case whose text contains a reference."""
        return self._one(QuestionKind.MENTIONING, number, reference)

    def sent(self, number: str) -> tuple[Stored, ...]:
        """The current resources of a case, deleted ones too, and of its Tasks every version, in the order of time."""
        return self._one(QuestionKind.SENT, number)

    def parties(self, number: str) -> frozenset[tuple[str, str]]:
        """The parties of a case, as (organisation, part)."""
        return self._one(QuestionKind.PARTIES, number)

    def readers(self, keys: Iterable[Key]) -> dict[Key, dict[str, bool]]:
        """The organisations that see each of some resources of no case, and whether they wrote it."""
        return {(key[0], key[1]): found for key, found in self._each(QuestionKind.READERS, keys).items()}

    def waiting(self, number: str) -> tuple[WaitingParty, ...]:
        """The parties of a case that wait for a binding."""
        return self._one(QuestionKind.WAITING, number)

    def registered(self, references: Iterable[str]) -> set[str]:
        """Those of some organisations that are registered."""
        found = self._each(QuestionKind.REGISTERED, ((reference,) for reference in references))
        return {reference for (reference,), is_registered in found.items() if is_registered}

    def bound_to(self, number: Number, sender: str) -> str:
        """The organisation that a number stands for when `sender` uses it; empty for none."""
        return self._one(QuestionKind.BOUND, number, sender)
