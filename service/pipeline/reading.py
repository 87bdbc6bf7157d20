"""Questions about cases and resources. Readers get today's decision, never a stale one."""

from __future__ import annotations

import copy
import logging
from collections.abc import Callable
from datetime import date, datetime, tzinfo
from typing import Any, Self

from sqlalchemy import Connection

from service.errors import Category, refuse
from service.fhir.build import ref
from service.fhir.decision_observation import About, decision_observation
from service.fhir.json_text import load
from service.fhir.profile_index import with_profile
from service.fhir.read_facts import assemble
from service.pipeline import decide
from service.pipeline.derived import Derived
from service.pipeline.fact_rows import fact_of
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts, Source
from service.rules.retest import assess_readiness
from service.rules.site import Site
from service.rules.stage import StageName
from service.store import cases, resources
from service.store.caller import ALL_SEEING, Caller
from service.store.engine import Database
from service.store.resources import Stored

_log = logging.getLogger("airway_relay")
OF_THE_DAY = ("CarePlan", "Observation", "GuidanceResponse", "Task", "ServiceRequest", "Provenance")
"""Types whose content a new day may change."""


class Reads:
    """The reading half of the pipeline."""

    def __init__(self, database: Database, site: Site, clock: Callable[[], datetime], zone: tzinfo) -> None:
        self._database = database.seen_by(ALL_SEEING)
        self.site = site
        self._clock = clock
        self._zone = zone

    def seen_by(self, caller: Caller) -> Self:
        """The same reads, for a caller who may not see every case."""
        seen = copy.copy(self)
        seen._database = self._database.seen_by(caller)
        return seen

    def now(self) -> datetime:
        """Now."""
        return self._clock()

    @property
    def database(self) -> Database:
        """The database underneath."""
        return self._database

    def today(self) -> date:
        """Today at this site."""
        return self._clock().astimezone(self._zone).date()

    def engine(self) -> Source:
        """The version of the rules' Device that stands for this release and its site's thresholds."""
        raise NotImplementedError

    def refresh(self, case_number: str) -> None:
        """Decide a case anew when a day has passed."""
        raise NotImplementedError

    def resource(self, kind: str, resource_id: str) -> Stored:
        """The current version of a resource, decided anew first if a day has passed. 404 when it is not here."""
        held = self._database.read(lambda tx: resources.current(tx, kind, resource_id))
        if held is None:
            raise refuse(Category.NOT_FOUND, f"{kind}/{resource_id} is not here.")
        if kind in OF_THE_DAY and held.case_number and self._is_stale(held.case_number):
            self.refresh(held.case_number)
            held = self._database.read(lambda tx: resources.current(tx, kind, resource_id)) or held
        return held

    def version(self, kind: str, resource_id: str, number: int) -> Stored:
        """One version of a resource. 404 when it is not here."""
        held = self._database.read(lambda tx: resources.version(tx, kind, resource_id, number))
        if held is None:
            raise refuse(Category.NOT_FOUND, f"{kind}/{resource_id} has no version {number}.")
        return held

    def case(self, case_number: str) -> dict[str, Any]:
        """A case as JSON-ready data, as of today. 404 when it is not here."""
        if self._is_stale(case_number):
            self.refresh(case_number)
        held, later = self._database.read(lambda tx: (cases.get(tx, case_number), cases.replacing(tx, case_number)))
        if held is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        links = {
            "care_plan": f"CarePlan/{case_number}",
            "referral": held.referral,
            "task": held.task,
            "patient": held.patient,
            "physician": held.physician,
            "dental_office": held.dental_office,
        }
        return {
            **load(held.summary),
            "overdue_from": held.overdue_from,
            "replaces": held.replaces,
            "replaced_by": later,
            "resources": {k: v for k, v in links.items() if v},
        }

    def case_as_of(self, case_number: str, as_of: date) -> dict[str, Any]:
        """A case as it stood, or will stand if nothing else is reported, on a day. Nothing is stored."""

        def work(tx: Connection) -> CaseFacts:
            held = cases.get(tx, case_number)
            if held is None:
                raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
            return decide.with_birth_date(
                self._facts(tx, case_number), Derived.of(case_number, held.derived).birth_date
            )

        return decide.summary_of(case_number, view_case(self._database.read(work), self.site, as_of))

    def readiness_observation(self, case_number: str, as_of: date) -> dict[str, Any]:
        """The readiness decision of a day as an Observation resource. Nothing is stored."""

        def work(tx: Connection) -> tuple[cases.Case, CaseFacts]:
            held = cases.get(tx, case_number)
            if held is None:
                raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
            return held, self._facts(tx, case_number)

        case, facts = self._database.read(work)
        readiness = assess_readiness(facts, self.site.thresholds, as_of)
        about = About(ref(case.patient), ref(case.referral), self.engine())
        return with_profile(decision_observation(readiness, f"{case_number}-readiness", about))

    def worklist(
        self, whose_move: str | None, after: tuple[str, str] | None, limit: int, overdue: bool = False
    ) -> list[cases.Case]:
        """A page of cases, longest waiting first; of those `overdue` today, longest overdue first."""
        if overdue:
            today = self.today().isoformat()
            return self._database.read(lambda tx: cases.overdue(tx, today, whose_move, after, limit))
        return self._database.read(lambda tx: cases.worklist(tx, whose_move, after, limit))

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
                _log.error("sweep failed on a case error=%s", type(error).__name__)
        return len(numbers) - failed

    def messages(self, case_number: str) -> list[tuple[str, str, str, bytes]]:
        """The messages of a case exactly as received, oldest first."""
        return self._database.read(lambda tx: cases.messages(tx, case_number))

    def close(self) -> None:
        """Close the database."""
        self._database.close()

    def alive(self) -> None:
        """Raise unless the database answers."""
        self._database.read(lambda tx: cases.get(tx, ""))

    def _is_stale(self, case_number: str) -> bool:
        held = self._database.read(lambda tx: cases.get(tx, case_number))
        return held is not None and held.stage != StageName.CLOSED and held.decided_on < self.today().isoformat()

    def _facts(self, tx: Connection, case_number: str) -> CaseFacts:
        return assemble(fact_of(row) for row in cases.facts(tx, case_number))
