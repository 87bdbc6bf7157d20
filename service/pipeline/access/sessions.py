"""Sessions of people who have signed in: kept here, known to the browser by a secret of which only the hash is kept.

A session ends when it is not used for a while, at a fixed time after signing in, when it is ended, and when its person's
access is taken away. What was looked up is believed for two seconds, so that every process notices soon.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection

from service.access.grant import Grant
from service.pipeline.access.people import grant_to, hash_of
from service.store import clients, people
from service.store.engine import Database
from service.store.people import HeldSession, Person

CHECKED_SECONDS = 2.0
NOTED_SECONDS = 30.0
"""The use of a session is noted so often, so that one may end that much earlier than its idle time says."""
_MOST_KEPT = 10_000
_PRUNE_SECONDS = 60


@dataclass(frozen=True, slots=True)
class Session:
    """A session that holds: what it grants, who it is of, and the secret in the browser."""

    secret: str
    grant: Grant
    name: str


@dataclass(frozen=True, slots=True)
class _Checked:
    session: Session
    held: HeldSession
    at_s: float


class Sessions:
    """The sessions of a database. One per process; safe to share between threads."""

    def __init__(self, database: Database, clock_s: Callable[[], float], idle_s: float, longest_s: float) -> None:
        self._database = database
        self._clock_s = clock_s
        self._idle_s = idle_s
        self._longest_s = longest_s
        self._checked: dict[str, _Checked] = {}
        self._lock = threading.Lock()
        self._pruned_at_s = float("-inf")

    def open(self, person: Person, before: str = "") -> Session:
        """A new session of a person under a new secret; the one that the browser had `before` ends."""
        secret, now_s = secrets.token_urlsafe(32), self._clock_s()
        prunes = now_s - self._pruned_at_s >= _PRUNE_SECONDS

        def work(tx: Connection) -> None:
            if prunes:
                people.prune(tx, now_s)
                clients.prune(tx, now_s - _PRUNE_SECONDS * 5)
            if before:
                people.end_session(tx, hash_of(before))
            people.open_session(tx, hash_of(secret), person.id, now_s, now_s + self._longest_s)

        self._database.write(work)
        self._forget(before)
        if prunes:
            self._pruned_at_s = now_s
        return _session(secret, person)

    def known(self, secret: str) -> Session | None:
        """A session that was looked up within the last seconds; None for any other."""
        checked, now_s = self._checked.get(secret), self._clock_s()
        if checked is None or not 0 <= now_s - checked.at_s < CHECKED_SECONDS:
            return None
        return checked.session if self._holds(checked.held, now_s) else None

    def looked_up(self, secret: str) -> Session | None:
        """The session of a secret as it stands now; None when there is none, or it has ended."""
        number, now_s = hash_of(secret), self._clock_s()
        held = self._database.read(lambda tx: people.session(tx, number))
        if held is None or not self._holds(held, now_s):
            self._forget(secret)
            return None
        if now_s - held.seen_at_s >= NOTED_SECONDS:
            self._database.write(lambda tx: people.saw(tx, number, now_s))
        session = _session(secret, held.person)
        with self._lock:
            self._checked.pop(secret, None)
            while len(self._checked) >= _MOST_KEPT:
                del self._checked[next(iter(self._checked))]
            self._checked[secret] = _Checked(session, held, now_s)
        return session

    def end(self, secret: str) -> None:
        """End a session."""
        self._database.write(lambda tx: people.end_session(tx, hash_of(secret)))
        self._forget(secret)

    def _holds(self, held: HeldSession, now_s: float) -> bool:
        return now_s < held.expires_at_s and now_s - held.seen_at_s < self._idle_s

    def _forget(self, secret: str) -> None:
        with self._lock:
            self._checked.pop(secret, None)


def _session(secret: str, person: Person) -> Session:
    return Session(secret, grant_to(person), person.name)
