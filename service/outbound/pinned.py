"""Connections to addresses that were checked, which end at one point in time and after so many bytes."""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import httpcore

Resolver = Callable[[str, int], list[str]]
MOST_BYTES_READ = 65_536


def system_resolver(host: str, port: int) -> list[str]:
    """The IP addresses of a host by the system's resolver. OSError when there are none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


class Pinned(httpcore.NetworkBackend):
    """Connects to given addresses whatever the host is called, and stops everything at one point in time."""

    def __init__(self, addresses: Sequence[str], until: float) -> None:
        self._addresses = addresses
        self._until = until
        self._inner = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """Connect to the first address that answers."""
        failure: httpcore.NetworkError | None = None
        for address in self._addresses:
            try:
                return _Timed(self._inner.connect_tcp(address, port, _left(self._until)), self._until)
            except httpcore.NetworkError as error:
                failure = error
        raise failure or httpcore.ConnectError()

    def sleep(self, seconds: float) -> None:
        """Wait; used between tries, of which there are none here."""
        time.sleep(seconds)


class _Timed(httpcore.NetworkStream):
    """A stream that ends at one point in time and after so many bytes, however slowly they come."""

    def __init__(self, inner: httpcore.NetworkStream, until: float) -> None:
        self._inner = inner
        self._until = until
        self._bytes_left = MOST_BYTES_READ

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """Read while time and allowance last."""
        if self._bytes_left <= 0:
            raise httpcore.ReadError("the answer is too long")
        found = self._inner.read(min(max_bytes, self._bytes_left), _left(self._until))
        self._bytes_left -= len(found)
        return found

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        """Write while time lasts."""
        self._inner.write(buffer, _left(self._until))

    def close(self) -> None:
        """Close the connection."""
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        """Begin TLS under the name in the URL, which the certificate must bear."""
        return _Timed(self._inner.start_tls(ssl_context, server_hostname, _left(self._until)), self._until)

    def get_extra_info(self, info: str) -> Any:
        """What the connection tells of itself."""
        return self._inner.get_extra_info(info)


def _left(until: float) -> float:
    """Seconds left. Times out when there are none."""
    seconds = until - time.monotonic()
    if seconds <= 0:
        raise httpcore.ReadTimeout("no time is left")
    return seconds
