"""Sending a notice: one POST to the address that was checked, no redirect followed, the answer's body ignored."""

from __future__ import annotations

import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import httpcore

from service.outbound.addresses import Egress, target_of
from service.outbound.pinned import Pinned, Resolver, system_resolver

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
            status = self._post(url, headers, body, Pinned(addresses, until))
        except httpcore.TimeoutException:
            return Sent("The endpoint did not answer in time.")
        except (httpcore.NetworkError, httpcore.ProtocolError, ssl.SSLError, OSError):
            return Sent("The endpoint could not be reached, or its answer could not be read.")
        if 200 <= status < 300:
            return Sent()
        if 300 <= status < 400:
            return Sent(f"The endpoint answered {status}; redirects are not followed.")
        return Sent(f"The endpoint answered {status}.", for_good=status == _GONE)

    def _post(self, url: str, headers: Sequence[tuple[str, str]], body: bytes, pinned: Pinned) -> int:
        own = [("Content-Type", "application/fhir+json"), ("User-Agent", "airway-relay"), ("Connection", "close")]
        with (
            httpcore.ConnectionPool(ssl_context=self._certificates, network_backend=pinned) as pool,
            pool.stream("POST", url, headers=[*own, *headers], content=body) as response,
        ):
            return response.status
