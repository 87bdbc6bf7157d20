"""Questions about cases and resources. Readers get today's decision, never a stale one."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable
from datetime import date, datetime, tzinfo
from typing import Any, Self, TypeVar

from sqlalchemy import Connection

from service.deciding import decide
from service.deciding.anew import is_stale
from service.deciding.facts_anew import facts_in, is_outdated
from service.deciding.snapshot import Snapshot
from service.deciding.state import state_in
from service.deciding.superseded import loaded_facts
from service.errors import Category, refuse
from service.fhir.build import ref
from service.fhir.decision_observation import About, decision_observation
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load
from service.fhir.profile_index import with_profile
from service.intake.load import planned
from service.pipeline.read_audit import ReadAudit
from service.rows import Case, Stored
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts
from service.rules.readiness import assess_readiness
from service.rules.site import Site
from service.rules.source import Source
from service.store import cases, resources
from service.store.caller import ALL_SEEING, Caller
from service.store.cases import Waiting
from service.store.engine import Database

T = TypeVar("T")
OF_THE_DAY = ("CarePlan", "Observation", "GuidanceResponse", "Task", "ServiceRequest", "Provenance")
"""Types whose content a new day may change."""


class Reads:
    """The reading half of the pipeline."""

    def __init__(self, database: Database, site: Site, clock: Callable[[], datetime], zone: tzinfo) -> None:
        self._database = database.seen_by(ALL_SEEING)
        self._seen = self._database
        self.site = site
        self._clock = clock
        self._zone = zone
        self.read_audit = ReadAudit(self._database)

    def seen_by(self, caller: Caller) -> Self:
        """The same reads, for a caller who may not see every case; the service's own work still sees all."""
        seen = copy.copy(self)
        seen._seen = self._database.seen_by(caller)
        return seen

    def now(self) -> datetime:
        """Now."""
        return self._clock()

    @property
    def database(self) -> Database:
        """The database underneath, as whoever asks sees it."""
        return self._seen

    def today(self) -> date:
        """Today at this site."""
        return self._clock().astimezone(self._zone).date()

    def local_time(self) -> str:
        """Now at this site, as an ISO time with its offset."""
        return self._clock().astimezone(self._zone).isoformat(timespec="seconds")

    def engine(self) -> Source:
        """The version of the rules' Device that stands for this release and its site's thresholds."""
        raise NotImplementedError

    def refresh(self, case_number: str, recorded: bool = False) -> None:
        """Decide a case anew when a day has passed; with `recorded` the resources tell it as well."""
        raise NotImplementedError

    def resource(self, kind: str, resource_id: str) -> Stored:
        """The current version of a resource; a decision's is made anew first if a day has passed. 404 when not here."""
        held, told = self._seen.read(lambda tx: resources.current_and_day(tx, kind, resource_id))
        if held is None:
            raise refuse(Category.NOT_FOUND, f"{kind}/{resource_id} is not here.")
        earlier = told is not None and (told[0] < self.today().isoformat() or told[1] != facts_shape())
        if kind in OF_THE_DAY and earlier and self._tells_an_earlier_day(held.case_number, f"{kind}/{resource_id}"):
            self.refresh(held.case_number, recorded=True)
            held = self._seen.read(lambda tx: resources.current(tx, kind, resource_id)) or held
        return _not_deleted(held)

    def version(self, kind: str, resource_id: str, number: int) -> Stored:
        """One version of a resource. 404 when it is not here."""
        held = self._seen.read(lambda tx: resources.version(tx, kind, resource_id, number))
        if held is None:
            raise refuse(Category.NOT_FOUND, f"{kind}/{resource_id} has no version {number}.")
        return _not_deleted(held)

    def case(self, case_number: str) -> dict[str, Any]:
        """A case as JSON-ready data, as of today. 404 when it is not here."""
        return self.case_and(case_number, lambda tx, data: data)

    def case_and(self, case_number: str, also: Callable[[Connection, dict[str, Any]], T]) -> T:
        """What is made of a case as JSON-ready data, as of today, by what else is read in the same transaction."""

        def work(tx: Connection) -> T | None:
            held = self._held(tx, case_number)
            return None if self._behind(held) else also(tx, self._data(tx, held))

        found = self._seen.read(work)
        if found is not None:
            return found
        self.refresh(case_number)
        return self._seen.read(lambda tx: also(tx, self._data(tx, self._held(tx, case_number))))

    def _held(self, tx: Connection, case_number: str) -> Case:
        held = cases.get(tx, case_number)
        if held is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        return held

    def _data(self, tx: Connection, held: Case) -> dict[str, Any]:
        case_number = held.case_number
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
            "replaced_because": state_in(held).replaced_because or None,
            "replaced_by": cases.replacing(tx, case_number),
            "resources": {k: v for k, v in links.items() if v},
        }

    def case_as_of(self, case_number: str, as_of: date) -> dict[str, Any]:
        """A case as it stood, or will stand if nothing else is reported, on a day. Nothing is stored."""

        def work(tx: Connection) -> CaseFacts:
            held = self._held(tx, case_number)
            return self.facts_on(tx, held, as_of)

        return decide.summary_of(case_number, view_case(self._seen.read(work), self.site, as_of))

    def readiness_observation(self, case_number: str, as_of: date) -> dict[str, Any]:
        """The readiness decision of a day as an Observation resource. Nothing is stored."""

        def work(tx: Connection) -> tuple[Case, CaseFacts]:
            held = cases.get(tx, case_number)
            if held is None:
                raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
            return held, self.facts_on(tx, held, as_of)

        case, facts = self._seen.read(work)
        readiness = assess_readiness(facts, self.site.thresholds, as_of)
        about = About(ref(case.patient), ref(case.referral), self.engine())
        return with_profile(decision_observation(readiness, f"{case_number}-readiness", about))

    def worklist(
        self, whose_move: str | None, after: tuple[str, str] | None, limit: int, overdue: bool = False
    ) -> list[Waiting]:
        """A page of cases, longest waiting first; of those `overdue` today, longest overdue first."""
        if overdue:
            today = self.today().isoformat()
            return self._seen.read(lambda tx: cases.overdue(tx, today, whose_move, after, limit))
        return self._seen.read(lambda tx: cases.worklist(tx, whose_move, after, limit))

    def messages(self, case_number: str) -> list[tuple[str, str, str, bytes]]:
        """The messages of a case exactly as received, oldest first."""
        return self._seen.read(lambda tx: cases.messages(tx, case_number))

    def close(self) -> None:
        """Write the audit entries that wait, and close the database."""
        self.read_audit.close()
        self._database.close()

    def alive(self) -> None:
        """Raise unless the database answers."""
        self._database.read(lambda tx: cases.get(tx, ""))

    def _behind(self, held: Case) -> bool:
        """Whether a case was decided on an earlier day, and may come out otherwise today."""
        return is_stale(held, self.today(), recorded=False)

    def _tells_an_earlier_day(self, case_number: str, resource: str) -> bool:
        """Whether a resource of a case that tells its decision tells that of an earlier day."""
        held = self._seen.read(lambda tx: cases.get(tx, case_number))
        if held is None:
            return False
        if resource != held.task and resource not in state_in(held).versions:
            return False
        return is_stale(held, self.today(), recorded=True)

    def facts_on(self, tx: Connection, case: Case, as_of: date) -> CaseFacts:
        """The facts of a case that a decision of a day reads."""
        state, engine = state_in(case), self.engine()

        def known(snapshot: Snapshot) -> Iterable[StoredFact]:
            if is_outdated(case):
                return facts_in(snapshot, case)
            return loaded_facts(snapshot, case.case_number, state, engine, as_of).facts

        return decide.with_birth_date(assemble(planned(tx, known, self._clock())), state.birth_date)


def _not_deleted(held: Stored) -> Stored:
    if held.deleted:
        sentence = f"{held.type}/{held.id} was deleted; earlier versions stand in its history."
        raise refuse(Category.GONE, sentence)
    return held
