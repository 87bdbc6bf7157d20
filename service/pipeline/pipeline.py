"""Takes messages in: loads a snapshot, has the change planned, writes it - in one transaction.

Nothing is acknowledged before it is durable, and nothing is half-stored.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from typing import Any

from sqlalchemy import Connection

from service.deciding.house import House, Occasion
from service.errors import Category, refuse
from service.fhir.dates import instant
from service.fhir.json_text import parse
from service.inbound.plain import AskedRead, Mapped
from service.intake.answers import Answer
from service.intake.apply import apply
from service.intake.change import PlannedChange
from service.intake.load import planned
from service.intake.message import Incoming, Received
from service.intake.plan import plan_change
from service.pipeline.access.asking import asker
from service.pipeline.access.callers import caller_for
from service.pipeline.days import Days
from service.pipeline.rules_device import kept_engine
from service.pipeline.searching import Searches
from service.rules.site import Site
from service.rules.source import Source
from service.store.engine import Database


class Pipeline(Days, Searches):
    """Takes messages in and answers questions about cases. One per process; safe to share between threads."""

    def __init__(
        self,
        database: Database,
        site: Site,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        zone: tzinfo = UTC,
        version: str = "",
    ) -> None:
        super().__init__(database, site, clock, zone)
        self._version = version
        self.refuses_unknown_offices = False
        self._engine: Source | None = None

    def receive(
        self,
        received: Received,
        map_message: Callable[[dict[str, Any]], Mapped],
        case_number: str | None = None,
        read: Callable[[AskedRead], Any] | None = None,
    ) -> Answer:
        """Store a message, or refuse it whole. `case_number` is the case a plain message names.

        `read` answers the reads inside the message, in its transaction, when all else of it is written.
        """
        return self.take(received, map_message(parse(received.text)), case_number, read)

    def take(
        self,
        received: Received,
        mapped: Mapped,
        case_number: str | None = None,
        read: Callable[[AskedRead], Any] | None = None,
    ) -> Answer:
        """Store a message that is mapped already, or refuse it whole."""
        if mapped.reads and not mapped.drafts:
            return Answer("", [], reads=_answered(mapped, read))
        incoming = Incoming(received, mapped, case_number, asker())
        house = self._house()

        def work(tx: Connection) -> Answer:
            found = self._planned(tx, incoming, house)
            apply(tx, found.change)
            found.answer.reads = _answered(mapped, read)
            return found.answer

        return self._database.seen_by(caller_for(received.sender.grant)).write(work)

    def look_at(
        self, received: Received, map_message: Callable[[dict[str, Any]], Mapped], case_number: str | None = None
    ) -> PlannedChange:
        """What a message would change, or why it would be refused. Nothing is stored, and nobody waits for it."""
        mapped = map_message(parse(received.text))
        if mapped.reads and not mapped.drafts:
            raise refuse(Category.INVALID, "The message only reads: there is nothing that it would change.")
        incoming, house = Incoming(received, mapped, case_number, asker()), self._house()
        database = self._database.seen_by(caller_for(received.sender.grant))
        return database.read(lambda tx: self._planned(tx, incoming, house, only_looks=True))

    def _planned(self, tx: Connection, incoming: Incoming, house: House, only_looks: bool = False) -> PlannedChange:
        occasion = self._occasion()
        return planned(
            tx,
            lambda snapshot: plan_change(snapshot, incoming, occasion, house),
            occasion.moment,
            only_looks=only_looks,
        )

    def _occasion(self) -> Occasion:
        return Occasion(self._clock(), self.today(), secrets.token_bytes(16))

    def _house(self) -> House:
        return House(self.site, self.engine(), self.refuses_unknown_offices)

    def engine(self) -> Source:
        """The version of the rules' Device that stands for this release and its site's thresholds."""
        if self._engine is None:
            now = instant(self._clock())
            self._engine = self._database.write(lambda tx: kept_engine(tx, self._version, self.site, now))
        return self._engine


def _answered(mapped: Mapped, read: Callable[[AskedRead], Any] | None) -> dict[int, Any]:
    return {asked.place: read(asked) for asked in mapped.reads} if read else {}
