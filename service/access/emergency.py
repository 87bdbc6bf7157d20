"""Emergency access: who may open it, for what reason, and what it then is.

Purpose of use BTG, «break the glass»: https://terminology.hl7.org/CodeSystem-v3-ActReason.html. The lengths, the three
words and the numbers an hour are a policy of our own; no standard gives them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

HEADER = "X-Emergency-Access"
OLD_HEADER = "X-Emergency-Reason"
SHORTEST_REASON, LONGEST_REASON = 10, 500
FEWEST_WORDS = 3
MOST_OF_ONE_PERSON_AN_HOUR = 3
MOST_OF_ONE_CLIENT_AN_HOUR = 10
_WORD = re.compile(r"[^\W\d_]{2,}")


@dataclass(frozen=True, slots=True)
class Emergency:
    """An emergency access that is in use: its number, its reason, and the one patient (`Patient/id`) it is about.

    `case_number` is empty when it opens every case of the patient. `named` is the person whom a client named, which
    nobody has verified; empty for a person who is signed in.
    """

    id: str
    reason: str
    patient: str
    case_number: str = ""
    named: str = ""


def in_words(reason: str) -> str:
    """A reason with single blanks between its words; ValueError, in a plain sentence, when it is none."""
    text = " ".join(reason.split())
    words = {w.casefold() for w in _WORD.findall(text) if len(set(w.casefold())) > 1}
    if not SHORTEST_REASON <= len(text) <= LONGEST_REASON or not text.isprintable() or len(words) < FEWEST_WORDS:
        raise ValueError(
            f"Say why in words: {SHORTEST_REASON} to {LONGEST_REASON} characters, {FEWEST_WORDS} different words at least."
        )
    return text
