"""How much of the service strangers may occupy: connections, time and work."""

from __future__ import annotations

import resource
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from pathlib import Path

LEAST_CONNECTIONS = 8


@dataclass(frozen=True)
class Budgets:
    """What one process gives at most. The defaults are common practice, no source."""

    connections: int = 512
    connections_per_address: int = 64
    request_seconds: int = 30
    """Until a request's head is complete, and the longest pause within its body."""
    least_bytes_per_second: int = 8_000
    """What a body comes at on average, and an answer is read at, after `request_seconds`."""
    work_per_client: int = 4
    """More threads than processors only take turns, and keep the event loop from its own."""


@dataclass(frozen=True)
class Unbounded:
    """The addresses behind which many clients stand: this machine and its proxies."""

    networks: tuple[IPv4Network | IPv6Network, ...]

    @classmethod
    def of(cls, proxies: tuple[str, ...]) -> Unbounded:
        """Loopback and the networks of the proxies."""
        return cls(tuple(ip_network(one, strict=False) for one in ("127.0.0.0/8", "::1/128", *proxies)))

    def __contains__(self, address: str) -> bool:
        try:
            found = ip_address(address)
        except ValueError:
            return False
        mapped = getattr(found, "ipv4_mapped", None) or found
        return any(mapped in network for network in self.networks)


def most_connections(wanted: int) -> int:
    """How many connections the process can hold: half of its free file descriptors stay for the database and files.

    Raises the soft limit on descriptors to the hard one first.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != hard:
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    if hard == resource.RLIM_INFINITY:
        return wanted
    return min(wanted, max(LEAST_CONNECTIONS, (hard - _open_now()) // 2))


def _open_now() -> int:
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:  # not Linux
        return 32
