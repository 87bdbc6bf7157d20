"""Cases decided anew as days pass: when somebody reads them, and by the sweep that keeps the worklist current.

Most days change nothing but the number of days at a setting. Then only the case row is written; a reader of the CarePlan
or of a decision gets today's all the same, and its version is written for that reader.
"""

from __future__ import annotations

import logging
import time

from sqlalchemy import Connection

from service.deciding.anew import plan_day
from service.deciding.house import House, Occasion
from service.deciding.rebuilding import plan_rebuilding
from service.fhir.facts_shape import facts_shape
from service.intake.apply import apply
from service.intake.change import Change
from service.intake.deliver import plan_delivery
from service.intake.fill_parties import plan_filling
from service.intake.load import planned
from service.pipeline.reading import Reads
from service.rules.stage import StageName
from service.store import cases, parties

_log = logging.getLogger("airway_relay")
_BATCH = 200


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
        """
        house = self._house()

        def work(tx: Connection) -> None:
            occasion = self._occasion()
            anew = planned(tx, lambda s: plan_day(s, case_number, occasion, house, recorded), occasion.moment)
            if anew is not None:
                apply(tx, Change(anew.rows, (anew.case,)))

        self._database.write(work)

    def rebuild(self, case_number: str) -> bool:
        """Make a case what the versions of its resources say; whether anything was written."""
        house = self._house()

        def work(tx: Connection) -> bool:
            occasion = self._occasion()
            anew = planned(tx, lambda s: plan_rebuilding(s, case_number, occasion, house), occasion.moment)
            if anew is not None:
                apply(tx, Change(anew.rows, (anew.case,)))
            return anew is not None

        return self._database.write(work)

    def deliver_waiting(self, case_number: str) -> bool:
        """Resolve again what waits of a case by today's bindings, and decide it anew; whether a party was added."""
        house = self._house()

        def work(tx: Connection) -> bool:
            occasion = self._occasion()
            change = planned(tx, lambda s: plan_delivery(s, case_number, occasion, house), occasion.moment)
            if change is not None:
                apply(tx, change)
            return change is not None

        return self._database.write(work)

    def fill_parties(self) -> None:
        """Put the parties of cases of earlier releases on record; costs one query once that is done."""
        while numbers := self._database.read(lambda tx: parties.without(tx, _BATCH)):
            self._database.write(lambda tx, numbers=numbers: self._fill(tx, numbers))

    def _fill(self, tx: Connection, numbers: list[str]) -> None:
        for number in numbers:
            occasion = self._occasion()
            change = planned(tx, lambda s, number=number, on=occasion: plan_filling(s, number, on), occasion.moment)
            apply(tx, change)

    def _house(self) -> House:
        raise NotImplementedError

    def _occasion(self) -> Occasion:
        raise NotImplementedError
