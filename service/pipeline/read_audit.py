"""AuditEvents of reads and refusals: gathered for some milliseconds, written in groups by a thread of their own.

A request answers when its entries wait here, and waits itself while too many do; nothing is dropped. What waits is in
memory: a crash loses the entries of its last milliseconds. Writes never come this way, theirs are in their transaction.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Sequence

from sqlalchemy import Connection

from service.deciding.versions import as_version
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.dates import instant
from service.new_id import new_id
from service.pipeline.access.asking import Told
from service.rows import Stored, nobodys
from service.store import cases, resources
from service.store.engine import Database

MOST_WAITING = 2000
_GATHERED_S = 0.05
_GROUP = 200
_LONGEST_PAUSE_S = 5.0
_CLOSING_S = 30.0
_log = logging.getLogger("airway_relay")


class ReadAudit:
    """The queue of audit entries and the thread that writes them; one per process, safe to share."""

    def __init__(self, database: Database, most: int = MOST_WAITING) -> None:
        self._database = database
        self._most = most
        self._changed = threading.Condition()
        self._waiting: deque[Told] = deque()
        self._thread: threading.Thread | None = None
        self._closed = False

    def put(self, told: Sequence[Told], wait_s: float = 0) -> bool:
        """Take entries to be written; False when there is no room for them within `wait_s` seconds."""
        with self._changed:
            if not self._changed.wait_for(lambda: len(self._waiting) < self._most, wait_s):
                return False
            self._waiting.extend(told)
            if self._thread is None:
                self._closed = False
                self._thread = threading.Thread(target=self._run, name="read-audit", daemon=True)
                self._thread.start()
            self._changed.notify_all()
        return True

    def flush(self, wait_s: float = _CLOSING_S) -> bool:
        """Wait until all that was put is written; whether it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._waiting, wait_s)

    def close(self) -> None:
        """Write what waits and end the thread."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
            thread = self._thread
        if thread is not None:
            thread.join(_CLOSING_S)
        if self._waiting:
            _log.error("audit entries of reads could not be written", extra={"told": {"lost": len(self._waiting)}})

    def _run(self) -> None:
        pause_s = _GATHERED_S
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._closed)
                if not self._waiting:
                    self._thread = None
                    return
            if not self._closed:
                time.sleep(pause_s)
            group = [self._waiting[n] for n in range(min(len(self._waiting), _GROUP))]
            try:
                self._database.write(lambda tx, group=group: write_entries(tx, group))
            except Exception as error:
                _log.error("audit of reads failed, tried again", extra={"told": {"error": type(error).__name__}})
                pause_s = min(_LONGEST_PAUSE_S, pause_s * 2)
                if self._closed:
                    time.sleep(0.2)
                continue
            pause_s = _GATHERED_S
            with self._changed:
                for _ in group:
                    self._waiting.popleft()
                self._changed.notify_all()


def write_entries(tx: Connection, group: Sequence[Told]) -> None:
    """Write entries as AuditEvents in one transaction, each with the patients whose cases it is about."""
    numbers = {number for told in group for number in told.seen.cases}
    patients = cases.patients_of(tx, numbers)
    rows: list[Stored] = []
    for told in group:
        seen = told.seen
        concerned = {patients[number] for number in seen.cases if number in patients}
        concerned |= seen.patients
        done = Interaction(
            seen.code, told.request_id, seen.description, seen.touched, sorted(concerned), seen.query, seen.outcome
        )
        event = new_id()
        at = instant(told.at)
        rows.append(as_version(audit_event(done, told.asker, at), event, 1, nobodys(event), at))
    resources.append_versions(tx, rows)
