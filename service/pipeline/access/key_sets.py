"""Key sets kept at a URL: fetched, kept for a bounded time, and fetched again once when a key is not among them."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from service.access.keys import PublicKey, usable_keys
from service.errors import Refused
from service.outbound.fetch import Fetcher

_FRESH_SECONDS = 300
_LONGEST_SECONDS = 3600
_AGAIN_SECONDS = 30
"""The least time between two fetches of one URL, except the first after a set has run out."""
_FAILED_SECONDS = 5
_FETCH_SECONDS = 5.0
_MOST_SETS = 1000


@dataclass
class _Held:
    keys: Mapping[str, PublicKey] = field(default_factory=dict)
    fetched_at_s: float = float("-inf")
    fresh_until_s: float = float("-inf")
    lock: threading.Lock = field(default_factory=threading.Lock)


class KeySets:
    """Key sets by their URL, in a bounded memory."""

    def __init__(self, fetcher: Fetcher, clock_s: Callable[[], float]) -> None:
        self._fetcher = fetcher
        self._clock_s = clock_s
        self._held: OrderedDict[str, _Held] = OrderedDict()
        self._lock = threading.Lock()

    def why_not(self, url: str) -> str:
        """Why no keys are fetched from a URL; empty when they are."""
        return self._fetcher.why_not(url)

    def key(self, url: str, kid: str, algorithms: Sequence[str]) -> PublicKey | None:
        """The key of that name in the set at a URL; None when it is not there, or the set cannot be had."""
        held = self._held_for(url)
        now_s = self._clock_s()
        if now_s < held.fresh_until_s and kid in held.keys:
            return held.keys[kid]
        with held.lock:
            stale, waited_s = now_s >= held.fresh_until_s, now_s - held.fetched_at_s
            if waited_s >= (_FAILED_SECONDS if stale else _AGAIN_SECONDS):
                self._fetch(held, url, algorithms, now_s)
            return held.keys.get(kid) if now_s < held.fresh_until_s else None

    def _held_for(self, url: str) -> _Held:
        with self._lock:
            held = self._held.setdefault(url, _Held())
            self._held.move_to_end(url)
            while len(self._held) > _MOST_SETS:
                self._held.popitem(last=False)
        return held

    def _fetch(self, held: _Held, url: str, algorithms: Sequence[str], now_s: float) -> None:
        """Fetch the set. One that cannot be had or read leaves the set held before as it is, for as long as it lasts."""
        held.fetched_at_s = now_s
        fetched = self._fetcher.fetch(url, _FETCH_SECONDS)
        if fetched.failure:
            return
        try:
            held.keys = usable_keys(fetched.body, algorithms)
        except Refused:
            return
        fresh_s = _FRESH_SECONDS if fetched.fresh_s is None else fetched.fresh_s
        held.fresh_until_s = now_s + min(max(fresh_s, _FAILED_SECONDS), _LONGEST_SECONDS)
