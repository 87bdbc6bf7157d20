"""How people sign in, put together: by a provider, by links, and the sessions that come of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.access.limits import Failures, address_group
from service.pipeline.access.open_id import OpenId
from service.pipeline.access.people import People
from service.pipeline.access.sessions import Sessions


@dataclass(frozen=True, slots=True)
class SignIn:
    """The parts of signing in. `open_id` is None without a provider; `links` says whether one-time links are taken."""

    people: People
    sessions: Sessions
    open_id: OpenId | None
    links: bool
    attempts: Attempts


class Attempts:
    """Slows down an address from which signing in keeps failing."""

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self._failures = Failures()

    def wait_s(self, address: str) -> int:
        """Whole seconds until the next try of an address is heard; 0 when it is heard now."""
        return self._failures.wait_s(address_group(address), self._clock_s())

    def failed(self, address: str) -> None:
        """Count a failure."""
        self._failures.add(address_group(address), self._clock_s())
