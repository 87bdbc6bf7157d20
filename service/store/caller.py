"""Who reads: every query is built for a caller, so that no path can forget whose case it is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caller:
    """Whoever asks. `cases` are the numbers of the cases that may be seen; None sees every case.

    What belongs to no case is seen by everybody.
    """

    cases: frozenset[str] | None = None


ALL_SEEING = Caller()
"""The service itself, and every client until access control tells them apart."""
