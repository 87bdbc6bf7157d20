"""What a patient reads, line by line: the main message first, and the telephone number beside whom to call."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.fhir.telephone import address_of
from service.pipeline.telephones import Telephone
from service.rules.english.patient import PATIENT

_SENTENCE = re.compile(r"(?<=[.!]) (?=[A-Z])")
"""Where a line ends; a question stays with what to do when the answer is yes."""
_WHOM = (("Call your dental office", "dentist"), ("Call your doctor", "physician"))
_NAMES = {"dentist": "Your dental office", "physician": "Your doctor"}
_MOST = 3
"""How many short sentences the main message has at most."""
_SENTENCES_OF_STOP = _SENTENCE.split(PATIENT["patient.stop"])
_FIRST = (PATIENT["patient.no-driving"], _SENTENCES_OF_STOP[0])
_FILLS = tuple(_SENTENCES_OF_STOP[1:])
"""What belongs to the message unless driving is forbidden as well: then whom to call goes before it."""
_LAST = (PATIENT["patient.dentist-first"], PATIENT["patient.sleepy"])
_CHECK_IN = tuple(PATIENT[name].partition("{")[0] for name in ("patient.check-in", "patient.check-in-late"))


@dataclass(frozen=True, slots=True)
class PatientLine:
    """A sentence for a patient; one that tells to call somebody with the number, where it is known."""

    words: str
    telephone: Telephone | None = None

    @property
    def before(self) -> str:
        """What stands before the number: the sentence without its full stop."""
        return self.words.rstrip(".") + ":" if self.telephone else self.words

    @property
    def address(self) -> str:
        """The number as an address that a telephone calls."""
        return address_of(self.telephone.number) if self.telephone else ""

    @property
    def text(self) -> str:
        """The line with its number, as plain text."""
        return f"{self.before} {self.telephone.text}." if self.telephone else self.words


def lines_of(instruction: str, telephones: Mapping[str, Telephone]) -> list[PatientLine]:
    """An instruction sentence by sentence, each that tells whom to call with the number."""
    return [_line(words, telephones) for words in _SENTENCE.split(instruction) if words]


def _line(words: str, telephones: Mapping[str, Telephone]) -> PatientLine:
    act = words.rpartition("? ")[2]
    whom = next((office for start, office in _WHOM if act.startswith(start)), "")
    return PatientLine(words, telephones.get(whom))


def cautions(instruction: str, week: Iterable[PatientLine], telephones: Mapping[str, Telephone]) -> list[PatientLine]:
    """When to call whom, without what this week forbids altogether."""
    forbidden = any(line.words == _FIRST[0] for line in week)
    return [line for line in lines_of(instruction, telephones) if not (forbidden and line.words == _LAST[1])]


def numbers_of(telephones: Mapping[str, Telephone]) -> list[PatientLine]:
    """The numbers that are known, each as a line of its own."""
    return [PatientLine(f"{words}.", telephones[office]) for office, words in _NAMES.items() if office in telephones]


def main_message(lines: Sequence[PatientLine]) -> tuple[list[PatientLine], list[PatientLine]]:
    """The main message, one to three sentences, and what stands below it.

    What is forbidden and whom to call go first; without any of it the act of the week is the message.
    """
    urgent = [one for one in lines if one.words in _FIRST or _calls(one)]
    found = urgent or [one for one in lines if not one.words.startswith((*_LAST, *_CHECK_IN))]
    if urgent and urgent[0].words != _FIRST[0]:
        found = [one for one in lines if one in urgent or one.words in _FILLS]
    chosen = found[:_MOST]
    return [one for one in lines if one in chosen], [one for one in lines if one not in chosen]


def is_urgent(lines: Iterable[PatientLine]) -> bool:
    """Whether something is forbidden or somebody has to be called."""
    return any(one.words in _FIRST or _calls(one) for one in lines)


def _calls(line: PatientLine) -> bool:
    return line.words.startswith(tuple(start for start, _ in _WHOM))
