"""Cases decided anew as days pass: when somebody reads them, and by the sweep that keeps the worklist current.

Most days change nothing but the number of days at a setting. Then only the case row is written; a reader of the CarePlan
or of a decision gets today's all the same, and its version is written for that reader.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.dates import instant_after
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import Fact
from service.fhir.facts.text import fact_text
from service.fhir.facts_shape import facts_shape
from service.pipeline import decide
from service.pipeline.access import delivered
from service.pipeline.commitments import Admitted, commitment
from service.pipeline.derived import Derived, stored
from service.pipeline.fact_rows import facts_after, split, task_fact
from service.pipeline.facts_anew import is_outdated, patient_record, read_anew
from service.pipeline.reading import Reads, is_stale
from service.pipeline.referral_moves import with_delivery
from service.pipeline.rows import touched_by
from service.pipeline.spent import HeldFacts, held_facts, in_use, mark
from service.pipeline.upgraded import came_to
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts
from service.rules.stage import StageName
from service.store import cases, resources
from service.store.cases import Case, FactText
from service.store.ids import new_id
from service.store.resources import Stored

_log = logging.getLogger("airway_relay")
_BATCH = 200


@dataclass(frozen=True, slots=True)
class Anew:
    """A case to decide anew without a message: what is stored of it, as of which day, and why.

    With `keeps_time` the case counts as not changed; with `is_upgrade` it is noted when it comes out otherwise. `admitted` are those who see more since.
    """

    case: Case
    derived: Derived
    held: HeldFacts
    on: date
    why: str
    keeps_time: bool = False
    is_upgrade: bool = False
    admitted: Admitted = Admitted()


class Days(Reads):
    """The part of the pipeline that decides anew because a day has passed."""

    def refresh_some(self, limit: int = 200) -> int:
        """Decide anew cases last decided before today; how many were. Called by the service as days pass."""
        today = self.today().isoformat()
        numbers = self._database.read(lambda tx: cases.not_decided_since(tx, today, StageName.CLOSED, limit))
        failed = 0
        for number in numbers:
            try:
                self.refresh(number)
            except Exception as error:
                failed += 1
                _log.error("sweep failed on a case", extra={"told": {"error": type(error).__name__}})
        return len(numbers) - failed

    def bring_up(self) -> int:
        """Read the facts anew and decide anew every case of a release with another shape of facts; how many there were.

        Called at each start, where it costs one query once that is done. A case that fails keeps none of the others.
        """
        done, failed, began, keys = 0, 0, time.monotonic(), self._outdated(("", ""))
        while keys:
            for _, number in keys:
                try:
                    self.refresh(number)
                    done += 1
                except Exception as error:
                    failed += 1
                    _log.error("a case was not read anew", extra={"told": {"error": type(error).__name__}})
            keys = self._outdated(keys[-1])
            told = {"cases": done, "failed": failed, "seconds": round(time.monotonic() - began)}
            _log.info("facts of cases read anew for this release", extra={"told": told})
        return done

    def _outdated(self, after: tuple[str, str]) -> list[tuple[str, str]]:
        return self._database.read(lambda tx: cases.of_another_shape(tx, facts_shape(), after, _BATCH))

    def refresh(self, case_number: str, recorded: bool = False) -> None:
        """Decide a case anew because a day has passed; nothing is written when that was done today.

        Only the case row is written when nothing that matters has changed; with `recorded` the resources always are.
        Facts of another shape are read anew first, and what is decided from them is recorded.
        """

        def work(tx: Connection) -> None:
            case = cases.lock(tx, case_number)
            today = self.today()
            if case is None or not is_stale(case, today, recorded):
                return
            derived = Derived.of(case_number, case.derived)
            outdated = is_outdated(case)
            if outdated:
                read_anew(tx, case, derived)
            held = held_facts(tx, derived, self.engine(), today)
            facts = assemble(held.facts)
            if not (outdated or recorded) and self._noted(case, derived, facts, today):
                return cases.save(tx, case)
            on = self._last_day(case, derived, facts) if outdated else None
            why = "decided anew by another release" if outdated else "decided anew for the day"
            self._decide_anew(tx, Anew(case, derived, held, on or today, why, on is not None, outdated), None)

        self._database.write(work)

    def decide_for_patient(self, tx: Connection, case_number: str, patient: str) -> None:
        """Decide a case anew, in the transaction that changes the record of its patient."""
        case = cases.lock(tx, case_number)
        assert case is not None, "a case of the patient is there"
        derived = Derived.of(case_number, case.derived)
        if is_outdated(case):
            read_anew(tx, case, derived)
        else:
            fresh = [
                FactText(*split(f.source.reference), f.source.version, fact_text(f.fact))
                for f in patient_record(tx, case_number)
            ]
            cases.replace_facts(tx, case_number, [split(patient)], fresh)
        held = held_facts(tx, derived, self.engine(), self.today())
        why = "decided anew for the patient's record"
        self._decide_anew(tx, Anew(case, derived, held, self.today(), why), None)

    def deliver_waiting(self, case_number: str) -> bool:
        """Resolve again what waits of a case by today's bindings, and decide it anew; whether a party was added."""

        def work(tx: Connection) -> bool:
            case = cases.lock(tx, case_number)
            if case is None:
                return False
            derived = Derived.of(case_number, case.derived)
            new, admitted = delivered.deliver(tx, case, derived)
            if not new:
                return False
            if is_outdated(case):
                read_anew(tx, case, derived)
            held = held_facts(tx, derived, self.engine(), self.today())
            task = with_delivery(tx, case, derived, None, instant_after(self._clock(), case.changed_at))
            self._decide_anew(
                tx, Anew(case, derived, held, self.today(), "an office was bound", admitted=admitted), task
            )
            return True

        return self._database.write(work)

    def _decide_anew(self, tx: Connection, anew: Anew, task: Stored | None) -> None:
        """Decide a case and write what that changes; `task` is a version of its Task due before the decision."""
        case, derived, before = anew.case, anew.derived, anew.held.facts
        last, now = case.changed_at, instant_after(self._clock(), case.changed_at)
        told: dict[str, Fact | None] = {case.task: task_fact(task, before)} if task else {}
        facts = assemble(facts_after(before, told, {case.task: task.version} if task else {}))
        used = in_use(facts, anew.held, derived, self.engine(), self.site.thresholds, anew.on)
        stood = came_to(case)
        task = self._decide(tx, case, derived, used, anew.on, now, task)
        if anew.is_upgrade:
            stands = came_to(case)
            derived.changed_by_release = [self.today().isoformat(), stood, stands] if stood != stands else []
        case.changed_at = last if anew.keeps_time else now
        if task is not None:
            row = FactText(task.type, task.id, task.version, fact_text(task_fact(task, before)))
            cases.replace_facts(tx, case.case_number, [(task.type, task.id)], [row])
        mark(tx, derived, anew.held, facts, used)
        rows = [*([task] if task else []), *derived.rows]
        case.derived = derived.text()
        cases.save(tx, case)
        commits = commitment(rows, case, anew.admitted)
        done = Interaction("operation", new_id(), anew.why, touched_by(rows), [case.patient], commits=commits)
        audit = audit_event(done, Asker(), now)
        resources.append_versions(tx, [*rows, stored(audit, new_id(), 1, case.case_number, now)])

    def _last_day(self, case: Case, derived: Derived, facts: CaseFacts) -> date | None:
        """The day whose decision a closed case keeps; None for one that is not closed, or not by this release's rules.

        The time for which its record is kept does not begin again then, so it counts as not changed.
        """
        if case.stage != StageName.CLOSED:
            return None
        last = date.fromisoformat(case.decided_on)
        view = view_case(decide.with_birth_date(facts, derived.birth_date), self.site, last)
        return last if view.stage.name is StageName.CLOSED else None

    def _noted(self, case: Case, derived: Derived, facts: CaseFacts, today: date) -> bool:
        """Whether the decision of the day says nothing new that matters; the case row then tells it."""
        view = view_case(decide.with_birth_date(facts, derived.birth_date), self.site, today)
        if decide.standing(view, self.engine()) != derived.standing:
            return False
        decide.note(view, case, derived, self.site.thresholds)
        return True

    def _decide(
        self, tx: Connection, case: Case, derived: Derived, facts: CaseFacts, today: date, now: str, task: Stored | None
    ) -> Stored | None:
        """Decide the case as of today; the Task's version to write, if any."""
        raise NotImplementedError
