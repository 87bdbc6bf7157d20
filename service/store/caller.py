"""Who reads: every query is built for a caller, so that no path can forget whose case it is."""

from __future__ import annotations

from dataclasses import dataclass

Kinds = tuple[tuple[str, frozenset[str] | None], ...]
"""Resource types, each with the categories (`system|code`) it is limited to, or None."""


@dataclass(frozen=True, slots=True)
class Reach:
    """One patient (`Patient/id`) beyond the caller's own cases: every case of theirs, or the one that is named."""

    patient: str
    case_number: str = ""


@dataclass(frozen=True, slots=True)
class Caller:
    """Whoever asks: their organisation (`Organization/id`), and the types of resources they may read.

    An organisation sees the cases it is a party to with the patients and the offices that those name, what it wrote
    about no case, and the registered organisations. None sees every case, and every type. `reach` is the one patient whom
    emergency access adds.
    """

    organisation: str | None = None
    kinds: Kinds | None = None
    reach: Reach | None = None


ALL_SEEING = Caller()
"""The service itself, and every client while access control is off."""
