"""Who reads: every query is built for a caller, so that no path can forget whose case it is."""

from __future__ import annotations

from dataclasses import dataclass

Kinds = tuple[tuple[str, frozenset[str] | None], ...]
"""Resource types, each with the categories (`system|code`) it is limited to, or None."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Whoever asks: their organisation (`Organization/id`), and the types of resources they may read.

    An organisation sees the cases it is a party to with the patients and the offices that those name, what it wrote
    about no case, and the registered organisations. None sees every case, and every type.
    """

    organisation: str | None = None
    kinds: Kinds | None = None


ALL_SEEING = Caller()
"""The service itself, and every client while access control is off."""
