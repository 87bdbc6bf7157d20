"""Slowing down whoever keeps failing to prove who they are, without shutting out the rightful client.

Counts are kept per address and per client id in a bounded memory of this process, and run down with time.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from ipaddress import IPv6Address, ip_address, ip_network

MOST_FAILURES = 20
SECONDS_PER_FAILURE = 3.0
"""A failure is forgotten after so long: twenty at once, then one in three seconds (our own choice)."""
MOST_KEPT = 10_000


class Failures:
    """Failures by key, as a bucket that runs empty with time."""

    def __init__(self, most_kept: int = MOST_KEPT) -> None:
        self._most_kept = most_kept
        self._held: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def add(self, key: str, now_s: float) -> None:
        """Count one failure."""
        with self._lock:
            level = min(self._level(key, now_s) + 1, float(MOST_FAILURES))
            self._held[key] = (level, now_s)
            self._held.move_to_end(key)
            while len(self._held) > self._most_kept:
                self._held.popitem(last=False)

    def wait_s(self, key: str, now_s: float) -> int:
        """Whole seconds until the next try is heard; 0 when it is heard now."""
        with self._lock:
            over = self._level(key, now_s) - (MOST_FAILURES - 1)
        return math.ceil(over * SECONDS_PER_FAILURE) if over > 0 else 0

    def forget(self, key: str) -> None:
        """Begin anew, after a success."""
        with self._lock:
            self._held.pop(key, None)

    def __len__(self) -> int:
        return len(self._held)

    def _level(self, key: str, now_s: float) -> float:
        level, at_s = self._held.get(key, (0.0, now_s))
        return max(0.0, level - max(0.0, now_s - at_s) / SECONDS_PER_FAILURE)


class Thinned:
    """What is told of an address that keeps failing: twenty at once, then one in three seconds; the others are counted.

    The next one that is told says how many were left out before it.
    """

    def __init__(self, most_kept: int = MOST_KEPT) -> None:
        self._told = Failures(most_kept)
        self._left_out: OrderedDict[str, int] = OrderedDict()
        self._most_kept = most_kept
        self._lock = threading.Lock()

    def left_out_before(self, address: str, now_s: float) -> int | None:
        """How many were left out since the last one that was told; None when this one is left out as well."""
        key = address_group(address)
        with self._lock:
            if not self._told.wait_s(key, now_s):
                self._told.add(key, now_s)
                return self._left_out.pop(key, 0)
            self._left_out[key] = self._left_out.get(key, 0) + 1
            self._left_out.move_to_end(key)
            while len(self._left_out) > self._most_kept:
                self._left_out.popitem(last=False)
            return None


class Limiter:
    """Who is heard at the token endpoint.

    An address that fails too often is not heard for a while, unless the client it names has lately proved itself from
    there. A client id under which others fail too often stays usable: a good assertion passes, a bad one must wait.
    """

    def __init__(self) -> None:
        self._addresses = Failures()
        self._clients = Failures()
        self._proved: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._lock = threading.Lock()

    def unheard_s(self, client: str, address: str, now_s: float) -> int:
        """Seconds for which this address is not heard at all; 0 when it is."""
        if (client, address_group(address)) in self._proved:
            return 0
        return self._addresses.wait_s(address_group(address), now_s)

    def failed(self, client: str, address: str, now_s: float) -> int:
        """Count a failure; the seconds that this client's next bad assertion must wait, 0 when it need not."""
        waits = self._clients.wait_s(client, now_s)
        self._addresses.add(address_group(address), now_s)
        if client:
            self._clients.add(client, now_s)
        return waits

    def proved(self, client: str, address: str) -> None:
        """A client has proved itself from an address."""
        self._clients.forget(client)
        pair = (client, address_group(address))
        with self._lock:
            self._proved[pair] = None
            self._proved.move_to_end(pair)
            while len(self._proved) > MOST_KEPT:
                self._proved.popitem(last=False)


def address_group(address: str) -> str:
    """What counts as one address: an IPv4 address, or the /64 network of an IPv6 one."""
    try:
        found = ip_address(address)
    except ValueError:
        return address[:64]
    if isinstance(found, IPv6Address):
        return str(ip_network((int(found) >> 64 << 64, 64)))
    return str(found)
