"""Sending a notice: one POST to the address that was checked, no redirect followed, the answer's body ignored."""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import httpcore

from service.outbound.addresses import Egress, target_of

Resolver = Callable[[str, int], list[str]]
_MOST_BYTES_READ = 65_536
_GONE = 410


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a sending: `failure` is a sentence, empty when it was taken; `for_good` if a retry is no use."""

    failure: str = ""
    for_good: bool = False


class Sender(Protocol):
    """Whatever can send a notice."""

    def send(self, url: str, headers: Sequence[tuple[str, str]], body: bytes, seconds: float) -> Sent:
        """Send a body; never raises, and returns within `seconds` but for looking up the name."""
        ...


def system_resolver(host: str, port: int) -> list[str]:
    """The IP addresses of a host by the system's resolver. OSError when there are none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


class HttpSender:
    """Sends by HTTP to places the site has listed."""

    def __init__(
        self, egress: Egress, resolver: Resolver = system_resolver, certificates: ssl.SSLContext | None = None
    ) -> None:
        self._egress = egress
        self._resolver = resolver
        self._certificates = certificates or ssl.create_default_context()

    def send(self, url: str, headers: Sequence[tuple[str, str]], body: bytes, seconds: float) -> Sent:
        """POST a notice. The name is looked up once; every address is checked, and one of them is connected to."""
        until = time.monotonic() + seconds
        refusal, target = self._egress.why_not(url), target_of(url)
        if refusal or target is None:
            return Sent(refusal, for_good=True)
        try:
            addresses = self._resolver(target.host, target.port)
        except OSError:
            return Sent("The endpoint's name was not found.")
        refusal = self._egress.why_not_at(target, addresses)
        if refusal:
            return Sent(refusal, for_good=True)
        try:
            status = self._post(url, headers, body, _Pinned(addresses, until))
        except httpcore.TimeoutException:
            return Sent("The endpoint did not answer in time.")
        except (httpcore.NetworkError, httpcore.ProtocolError, ssl.SSLError, OSError):
            return Sent("The endpoint could not be reached, or its answer could not be read.")
        if 200 <= status < 300:
            return Sent()
        if 300 <= status < 400:
            return Sent(f"The endpoint answered {status}; redirects are not followed.")
        return Sent(f"The endpoint answered {status}.", for_good=status == _GONE)

    def _post(self, url: str, headers: Sequence[tuple[str, str]], body: bytes, pinned: _Pinned) -> int:
        own = [("Content-Type", "application/fhir+json"), ("User-Agent", "airway-relay"), ("Connection", "close")]
        with (
            httpcore.ConnectionPool(ssl_context=self._certificates, network_backend=pinned) as pool,
            pool.stream("POST", url, headers=[*own, *headers], content=body) as response,
        ):
            return response.status


class _Pinned(httpcore.NetworkBackend):
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
        self._bytes_left = _MOST_BYTES_READ

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
