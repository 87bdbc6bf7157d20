"""Who may see more from now on: collected while a plan is made, for the store and for the entry in the audit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.deciding.commitments import Admitted
from service.deciding.snapshot import Snapshot
from service.fhir.build import references_in
from service.fhir.json_text import load
from service.rows import DIRECTORY, Case, Key, WaitingParty, split

Party = tuple[str, str]
"""(organisation, part)."""


@dataclass(frozen=True, slots=True)
class Admission:
    """What changes of who sees what: parties new to a case, readers of resources of no case, who counts as their writer.

    `reads` tell of each whether it wrote the resource; `writes` are those that read it before. Parties of the parts in
    `waits_no_more` stop waiting, and those in `waits` begin to.
    """

    parties: tuple[Party, ...] = ()
    reads: tuple[tuple[Key, str, bool], ...] = ()
    writes: tuple[tuple[Key, str], ...] = ()
    waits_no_more: tuple[str, ...] = ()
    waits: tuple[WaitingParty, ...] = ()
    case_number: str = ""

    @property
    def admitted(self) -> Admitted:
        """As the entry in the audit gives it."""
        wrote = [(key, organisation) for key, organisation, wrote in self.reads if wrote]
        return Admitted(
            parties=tuple(f"{part} {organisation}" for organisation, part in self.parties),
            sees=tuple(f"{'/'.join(key)} {organisation}" for key, organisation, _ in self.reads),
            wrote=tuple(f"{'/'.join(key)} {organisation}" for key, organisation in (*wrote, *self.writes)),
        )


class Admitting:
    """Collects who may see more while a plan is made."""

    def __init__(self, snapshot: Snapshot, case: Case | None = None) -> None:
        """`case` is the case whose parties change, as it is new or stored; None where there is none."""
        self._snapshot = snapshot
        self._case = case
        self._parties: list[Party] = []
        self._reads: dict[tuple[Key, str], bool] = {}
        self._writes: dict[tuple[Key, str], None] = {}
        self._waits_no_more: set[str] = set()
        self._waits: dict[tuple[str, ...], WaitingParty] = {}

    def parties(self) -> frozenset[Party]:
        """The parties of the case, with those that are new."""
        return self._stored_parties() | frozenset(self._parties)

    def waiting(self) -> list[WaitingParty]:
        """The parties of the case that wait, as they will."""
        stored = [row for row in self._stored_waiting() if row.part not in self._waits_no_more]
        return [*stored, *self._waits.values()]

    def _stored_parties(self) -> frozenset[Party]:
        return self._snapshot.parties(self._case.case_number) if self._case and self._case.stage else frozenset()

    def _stored_waiting(self) -> tuple[WaitingParty, ...]:
        return self._snapshot.waiting(self._case.case_number) if self._case and self._case.stage else ()

    def admit(self, found: Iterable[Party]) -> set[Party]:
        """Make organisations parties to the case, who see its patient; those that are new."""
        assert self._case is not None, "parties are those of a case"
        new = set(found) - self.parties()
        self._parties.extend(sorted(new))
        for organisation, _ in sorted(new):
            self.let_read([split(self._case.patient)], organisation)
        return new

    def let_read(self, keys: Iterable[Key], organisation: str, wrote: bool = False) -> None:
        """Let an organisation see resources of no case, as their writer with `wrote`."""
        wanted = list(dict.fromkeys(keys))
        stored = self._snapshot.readers(wanted)
        for key in wanted:
            known = stored[key].get(organisation)
            if known is None:
                self._reads[key, organisation] = wrote or self._reads.get((key, organisation), False)
            elif wrote and not known:
                self._writes[key, organisation] = None

    def let_read_offices(self, organisations: Iterable[str], offices: Iterable[str]) -> None:
        """Let organisations read entries of the directory."""
        keys = [split(reference) for reference in offices]
        for organisation in sorted(set(organisations)):
            self.let_read(keys, organisation)

    def wait_no_more(self, parts: Iterable[str]) -> None:
        """Let some parts of the case wait no more."""
        self._waits_no_more.update(parts)
        self._waits = {key: row for key, row in self._waits.items() if row.part not in self._waits_no_more}

    def wait(self, rows: Iterable[WaitingParty]) -> None:
        """Let parties of the case wait for a binding, those that wait already once."""
        known = {row.key for row in self.waiting()}
        for row in rows:
            if row.key not in known:
                self._waits.setdefault(row.key, row)

    def result(self) -> Admission:
        """Everything that was collected."""
        stored = {row.part for row in self._stored_waiting()} if self._waits_no_more else set[str]()
        reads = tuple((key, organisation, wrote) for (key, organisation), wrote in self._reads.items())
        return Admission(
            tuple(self._parties),
            reads,
            tuple(self._writes),
            tuple(sorted(self._waits_no_more & stored)),
            tuple(self._waits.values()),
            self._case.case_number if self._case else "",
        )


def offices_in(resource: object) -> set[str]:
    """The entries of the directory that a resource refers to."""
    found = (reference.split("/_history/")[0] for _, reference in references_in(resource, ""))
    return {reference for reference in found if reference.partition("/")[0] in DIRECTORY and "/" in reference}


def offices_of(snapshot: Snapshot, case_number: str) -> list[str]:
    """The entries of the directory that the stored resources of a case refer to."""
    sent = snapshot.sent(case_number)
    return sorted({reference for row in sent if not row.deleted for reference in offices_in(load(row.body))})
