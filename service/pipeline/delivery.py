"""The deliverer: hands out events and sends them, at least once and in order for each subscription.

Any number may run, in the web process or apart. A subscription is claimed by a lease that outlasts one sending; what
was sent is recorded after it, so only a deliverer that dies between the two lets an event be sent twice.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from service.access.private_files import KeyFileError
from service.access.sealing import NotOpened, Seal
from service.fhir.dates import instant
from service.fhir.json_text import load, write
from service.fhir.subscription import Wanted, canonical_of, header_of, wanted_of
from service.new_id import new_id
from service.outbound.notices import EVENT, HANDSHAKE, HEARTBEAT, Event, Standing, notification
from service.outbound.senders import Sender, Sent
from service.pipeline.hand_out import hand_out
from service.pipeline.sealed_headers import headers_of
from service.rows import Notice
from service.store import notices, subscriptions
from service.store.engine import Database
from service.store.subscriptions import ACTIVE, ERROR, OFF, REQUESTED, Subscription

WORKERS = 4
MOST_FAILURES = 40
"""Failures in a row after which a subscription is in error: about eight hours."""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 900.0
_LEASE_MARGIN_S = 2.0
_POLL_S = 0.5
_log = logging.getLogger("airway_relay")


@dataclass(frozen=True, slots=True)
class _Claimed:
    """A subscription to send to, as it stood when claimed, and what is to be sent."""

    held: Subscription
    wanted: Wanted
    kind: str
    events: tuple[Event, ...]


def wait_for(threads: list[threading.Thread], seconds: float = 5) -> None:
    """Let threads that were told to stop finish what they send, for at most so long; a lease covers what is left."""
    until = time.monotonic() + seconds
    for thread in threads:
        thread.join(max(0.0, until - time.monotonic()))


class Deliverer:
    """Sends what is due on one database, through one sender. Safe to share between threads."""

    def __init__(
        self,
        database: Database,
        sender: Sender,
        seal: Seal,
        clock_s: Callable[[Connection], float] = subscriptions.clock_s,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._database = database
        self._sender = sender
        self._seal = seal
        self._clock_s = clock_s
        self._jitter = jitter
        self._handing_out = threading.Lock()

    def run(self, stop: threading.Event, workers: int = WORKERS) -> list[threading.Thread]:
        """Start working until `stop` is set; the threads that do it."""
        threads = [threading.Thread(target=self._work, args=(stop,), daemon=True) for _ in range(workers)]
        for thread in threads:
            thread.start()
        return threads

    def _work(self, stop: threading.Event) -> None:
        while not stop.is_set():
            try:
                busy = self.step()
            except Exception as error:
                _log.error("delivery failed", extra={"told": {"error": type(error).__name__}})
                busy = False
            if not busy:
                stop.wait(_POLL_S * (0.5 + self._jitter()))

    def step(self) -> bool:
        """Hand out what waits and send one notice; whether there was anything to do."""
        handed = self._hand_out()
        return self.deliver() or handed

    def _hand_out(self) -> bool:
        if not self._database.read(notices.is_any_waiting) or not self._handing_out.acquire(blocking=False):
            return False
        try:
            return self._database.write(hand_out) > 0
        finally:
            self._handing_out.release()

    def deliver(self) -> bool:
        """Send one notice that is due; whether there was one."""
        if not self._database.read(lambda tx: subscriptions.is_any_due(tx, self._clock_s(tx))):
            return False
        claimed = self._database.write(lambda tx: self._claim(tx, new_id()))
        if claimed is None:
            return False
        sent = self._send(claimed)
        self._database.write(lambda tx: self._record(tx, claimed, sent))
        return True

    def _claim(self, tx: Connection, name: str) -> _Claimed | None:
        now_s = self._clock_s(tx)
        for held in subscriptions.ended(tx, now_s):
            subscriptions.save(tx, with_status(held, OFF, "", now_s))
        held = subscriptions.claim(tx, now_s, name, _LEASE_MARGIN_S)
        if held is None:
            return None
        wanted = wanted_of(load(held.body))
        if held.status == REQUESTED:
            return _Claimed(held, wanted, HANDSHAKE, ())
        first = held.sent_event + 1
        events = tuple(events_of(notices.events(tx, held.id, first, held.last_event, wanted.most_events)))
        return _Claimed(held, wanted, EVENT if events else HEARTBEAT, events)

    def _send(self, claimed: _Claimed) -> Sent:
        held, wanted = claimed.held, claimed.wanted
        body = write(notification(standing(held, wanted), claimed.kind, claimed.events, instant(datetime.now(UTC))))
        try:
            kept = headers_of(self._seal, held, wanted.endpoint)
        except (NotOpened, KeyFileError):
            return Sent("The kept values of the headers cannot be read any more; send them again.", for_good=True)
        headers = [pair for text in kept if (pair := header_of(text))]
        return self._sender.send(wanted.endpoint, headers, body.encode(), held.timeout_s)

    def _record(self, tx: Connection, claimed: _Claimed, sent: Sent) -> None:
        """Note what became of a sending, unless the client has changed the subscription meanwhile."""
        held = subscriptions.lock(tx, claimed.held.id)
        if held is None or held.leased_by != claimed.held.leased_by:
            return
        held.leased_by, held.leased_until_s = "", 0
        if not held.deleted and held.version == claimed.held.version:
            now_s = self._clock_s(tx)
            held = self._failed(held, claimed, sent, now_s) if sent.failure else _succeeded(held, claimed, now_s)
        subscriptions.save(tx, held)
        told = {"subscription": held.id, "kind": claimed.kind, "sent": not sent.failure}
        _log.info("notice", extra={"told": told})

    def _failed(self, held: Subscription, claimed: _Claimed, sent: Sent, now_s: float) -> Subscription:
        held.failures += 1
        if sent.for_good or claimed.kind == HANDSHAKE or held.failures >= MOST_FAILURES:
            after = f" This was try {held.failures} in a row." if held.failures > 1 else ""
            return with_status(held, ERROR, f"{sent.failure}{after}", now_s)
        wait_s = min(_FIRST_WAIT_S * 2 ** (held.failures - 1), _LONGEST_WAIT_S)
        held.next_try_at_s = now_s + wait_s * (0.5 + self._jitter())
        return held


def _succeeded(held: Subscription, claimed: _Claimed, now_s: float) -> Subscription:
    held.failures, held.next_try_at_s = 0, now_s
    period_s = claimed.wanted.heartbeat_s
    held.heartbeat_at_s = now_s + period_s if period_s else None
    if claimed.events:
        held.sent_event = claimed.events[-1].number
    return with_status(held, ACTIVE, "", now_s) if claimed.kind == HANDSHAKE else held


def with_status(held: Subscription, status: str, error: str, now_s: float) -> Subscription:
    """The next version of a subscription, whose status the service has changed."""
    held.version += 1
    held.status, held.error = status, error
    held.last_updated = instant(datetime.fromtimestamp(now_s, UTC))
    return held


def standing(held: Subscription, wanted: Wanted) -> Standing:
    """A subscription as notices tell of it."""
    topic = canonical_of(wanted.topic)
    return Standing(held.base_url, held.id, held.status, wanted.content, held.last_event, held.error, topic)


def events_of(rows: list[tuple[int, Notice]]) -> Iterator[Event]:
    """Numbered notices as events."""
    for number, notice in rows:
        yield Event(number, notice.made_at, notice.focus, f"CarePlan/{notice.case_number}")
