"""What a verification reports: a line for each finding, and counts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass(slots=True)
class Counts:
    """How much was looked at, what was found, and what could not be compared.

    `uncommitted` are versions and messages whose entries were written by a release that told no hashes, `removed` those
    whose removal at the end of their retention the audit tells. `not_replayed` are decisions of other versions of the
    rules, `not_recomputed` case rows of another release, `of_another_shape` cases whose facts another release read.
    """

    cases: int = 0
    versions: int = 0
    messages: int = 0
    entries: int = 0
    links: int = 0
    decisions: int = 0
    findings: int = 0
    uncommitted: int = 0
    removed: int = 0
    not_replayed: int = 0
    not_recomputed: int = 0
    of_another_shape: int = 0
    not_indexed: set[str] = field(default_factory=set)


class Report:
    """Takes findings as they are made; `say` gets one line for each, `progress` is called as the work goes on."""

    def __init__(self, say: Callable[[str], None], progress: Callable[[Counts], None] = lambda counts: None) -> None:
        self._say, self._progress = say, progress
        self.counts = Counts()

    def found(self, place: str, what: str) -> None:
        """Report that something at a place (table and key) differs."""
        self.counts.findings += 1
        self._say(f"{place}: {what}")

    def goes_on(self) -> None:
        """Tell how far the work has come."""
        self._progress(self.counts)

    @contextmanager
    def reading(self, place: str) -> Iterator[None]:
        """What cannot even be read is a finding, and the work goes on behind it."""
        try:
            yield
        except (ArithmeticError, AssertionError, AttributeError, LookupError, TypeError, ValueError) as error:
            self.found(place, f"cannot be read or worked out ({type(error).__name__})")
