"""A case row, its facts and its decisions held against what the versions of the case say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from service.deciding.commitments import hash_of_case_row
from service.deciding.decide import overdue_day, summary_of, with_birth_date
from service.deciding.facts_anew import facts_among, is_outdated, patient_record
from service.deciding.state import state_in
from service.deciding.versions import same_content
from service.fhir.engine import ENGINE_ID, rule_engine, site_of
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.facts.text import fact_text
from service.fhir.json_text import load, write
from service.pipeline.replay import replay_rows
from service.pipeline.verify.entries import AuditEntry
from service.pipeline.verify.report import Report
from service.rows import Case, Stored, split
from service.rules.case_view import view_case
from service.rules.needed import needed
from service.rules.site import Site
from service.store import cases, resources
from service.store.audit_chain import AUDIT_EVENT

_TOLD_ELSEWHERE = (AUDIT_EVENT, "Provenance")


@dataclass(frozen=True, slots=True)
class CaseChecks:
    """The checks of one case: its row, and its versions in the order of time."""

    tx: Connection
    case: Case
    rows: Sequence[Stored]
    report: Report
    version: str
    """The version of this release."""

    @property
    def place(self) -> str:
        """As a finding names the row."""
        return f"case_row {self.case.case_number}"

    def check(self, entries: Sequence[AuditEntry]) -> None:
        """Everything of the case that can be compared by this release."""
        self._check_recorded(entries)
        if is_outdated(self.case):
            self.report.counts.of_another_shape += 1
        else:
            with self.report.reading(f"fact {self.case.case_number}"):
                self._check_facts()
        with self.report.reading(f"decisions of {self.case.case_number}"):
            self._check_decisions()

    def _check_recorded(self, entries: Sequence[AuditEntry]) -> None:
        """What of the row changes only with an entry is what the last of them recorded."""
        wrote = [e for e in entries if (e.commits.case_row if e.commits else e.is_write and not e.removed_unnamed)]
        last = max((e.row.last_updated for e in wrote), default="")
        of_last = [e for e in wrote if e.row.last_updated == last]
        hashes = {e.commits.case_row for e in of_last if e.commits}
        if not hashes:
            self.report.counts.uncommitted += 1
        elif hash_of_case_row(self.case) not in hashes:
            self.report.found(self.place, f"its references, times or notes are not what {of_last[0].name} recorded")

    def _check_facts(self) -> None:
        facts = facts_among(self._sent(), patient_record(resources.current(self.tx, *split(self.case.patient))))
        anew = {f.source.reference: (f.source.version, fact_text(f.fact)) for f in facts}
        number = self.case.case_number
        kept = {f"{f.type}/{f.id}": f for f in cases.facts(self.tx, number)}
        for reference in sorted(anew.keys() | kept.keys()):
            place = f"fact {number} {reference}"
            if reference not in anew:
                self.report.found(place, "is of no current version of the case")
            elif reference not in kept:
                self.report.found(place, "is not there")
            elif (kept[reference].version, kept[reference].content) != anew[reference]:
                self.report.found(place, "is not what its version says")
        site = self._site()
        if site is None:
            self.report.counts.not_recomputed += 1
            return
        spent = {reference for reference, fact in kept.items() if fact.spent}
        with self.report.reading(self.place):
            self._check_row(facts, site, spent)

    def _sent(self) -> list[Stored]:
        """The versions that facts are read from: current ones, and every one of a Task."""
        last = {(row.type, row.id): row.version for row in sorted(self.rows, key=lambda row: row.version)}
        told = (row for row in self.rows if row.type not in _TOLD_ELSEWHERE)
        return [row for row in told if row.type == "Task" or row.version == last[row.type, row.id]]

    def _site(self) -> Site | None:
        """The site by whose settings the row was decided; None when that was not done by this release's rules."""
        by = state_in(self.case).superseded_by_rules
        held = resources.version(self.tx, "Device", ENGINE_ID, by) if by else None
        if held is None:
            return None
        try:
            site = site_of(load(held.body))
        except ValueError:
            return None
        return site if same_content(held.body, rule_engine(self.version, site)) else None

    def _check_row(self, facts: Sequence[StoredFact], site: Site, spent: set[str]) -> None:
        """What the row tells of the decision of its day, and which facts it marks as spent."""
        case, state = self.case, state_in(self.case)
        known = with_birth_date(assemble(facts), state.birth_date)
        view = view_case(known, site, date.fromisoformat(case.decided_on))
        wanted = {
            "outcome": view.readiness.outcome,
            "stage": view.stage.name.value,
            "whose_move": view.stage.whose_move.value,
            "waiting_since": view.stage.since.isoformat(),
            "urgent": view.stage.urgent,
            "overdue_from": overdue_day(view, state, site.thresholds),
            "summary": write(summary_of(case.case_number, view)),
        }
        differing = [name for name, value in wanted.items() if getattr(case, name) != value]
        if differing:
            self.report.found(self.place, f"{', '.join(differing)}: not what is decided of its facts anew")
        used = needed(known, site.thresholds, date.fromisoformat(state.superseded_before))
        kinds = [(known.settings, used.settings), (known.check_ins, used.check_ins)]
        kinds += [(known.side_effects, used.side_effects), (known.red_flags, used.red_flags)]
        unread = {f.source.reference for every, read in kinds for f in every} - {
            f.source.reference for every, read in kinds for f in read
        }
        for reference in sorted(unread ^ spent):
            said = "marked as spent and still read" if reference in spent else "not marked as spent"
            self.report.found(f"fact {case.case_number} {reference}", f"is {said} by decisions")

    def _check_decisions(self) -> None:
        done = replay_rows(self.tx, self.case, self.rows)
        self.report.counts.decisions += done.decisions
        self.report.counts.not_replayed += sum(made for _, _, made in done.earlier)
        for address in done.differing:
            self.report.found(f"resource_version {address}", "the decision comes out otherwise when it is made anew")
