"""Fetching keys, and asking a sign-in provider: one request to the address that was checked, no redirect followed,
little read, soon over.
"""

from __future__ import annotations

import re
import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlencode

import httpcore

from service.outbound.addresses import Egress, target_of
from service.outbound.pinned import Pinned, Resolver, system_resolver

_MAX_AGE = re.compile(r"max-age=\"?([0-9]{1,9})\"?")
_MOST_BYTES = 50_000


@dataclass(frozen=True, slots=True)
class Fetched:
    """What was fetched; `failure` is a sentence, empty when it was. `fresh_s`: as its sender says, if it says so."""

    body: bytes = b""
    fresh_s: int | None = None
    failure: str = ""


class Fetcher(Protocol):
    """Whatever can fetch keys."""

    def why_not(self, url: str) -> str:
        """Why nothing is fetched from a URL, as a sentence; empty when it may be."""
        ...

    def fetch(self, url: str, seconds: float) -> Fetched:
        """Fetch a document; never raises, and returns within `seconds` but for looking up the name."""
        ...


class HttpFetcher:
    """Fetches by HTTP from places the site has listed."""

    def __init__(
        self, egress: Egress, resolver: Resolver = system_resolver, certificates: ssl.SSLContext | None = None
    ) -> None:
        self._egress = egress
        self._resolver = resolver
        self._certificates = certificates or ssl.create_default_context()

    def why_not(self, url: str) -> str:
        """Why nothing is fetched from a URL, as a sentence; empty when it may be. No name is looked up here."""
        if self._egress.why_not(url):
            return "Keys are fetched by https from the hosts that AIRWAY_RELAY_JWKS_HOSTS lists; this is none of them."
        return ""

    def fetch(self, url: str, seconds: float) -> Fetched:
        """GET a document. The name is looked up once; every address is checked, and one of them is connected to."""
        return self._asked("GET", url, {}, b"", seconds)

    def post(self, url: str, fields: Mapping[str, str], headers: Mapping[str, str], seconds: float) -> Fetched:
        """POST a form by the same rules; never raises."""
        form = {"Content-Type": "application/x-www-form-urlencoded", **headers}
        return self._asked("POST", url, form, urlencode(fields).encode(), seconds)

    def _asked(self, method: str, url: str, headers: Mapping[str, str], body: bytes, seconds: float) -> Fetched:
        until = time.monotonic() + seconds
        refusal, target = self.why_not(url), target_of(url)
        if refusal or target is None:
            return Fetched(failure=refusal or "This is not a URL.")
        try:
            addresses = self._resolver(target.host, target.port)
        except OSError:
            return Fetched(failure="The name of the host was not found.")
        if self._egress.why_not_at(target, addresses):
            return Fetched(failure="The name of the host leads to an address that is not public.")
        try:
            return self._answer(method, url, headers, body, Pinned(addresses, until))
        except httpcore.TimeoutException:
            return Fetched(failure="The host did not answer in time.")
        except (httpcore.NetworkError, httpcore.ProtocolError, ssl.SSLError, OSError):
            return Fetched(failure="The host could not be reached, or its answer could not be read.")

    def _answer(self, method: str, url: str, headers: Mapping[str, str], sent: bytes, pinned: Pinned) -> Fetched:
        usual = [("Accept", "application/json"), ("User-Agent", "airway-relay"), ("Connection", "close")]
        with (
            httpcore.ConnectionPool(ssl_context=self._certificates, network_backend=pinned) as pool,
            pool.stream(method, url, headers=[*usual, *headers.items()], content=sent or None) as response,
        ):
            if response.status != 200:
                return Fetched(failure=f"The host answered {response.status}; only 200 is taken, and no redirect.")
            body = b""
            for chunk in response.iter_stream():
                body += chunk
                if len(body) > _MOST_BYTES:
                    return Fetched(failure=f"The answer is longer than {_MOST_BYTES} bytes.")
            return Fetched(body, _fresh_s(response.headers))


def _fresh_s(headers: list[tuple[bytes, bytes]]) -> int | None:
    """For how long the answer may be kept (https://www.rfc-editor.org/rfc/rfc9111); None when it does not say."""
    said = ",".join(value.decode("latin-1").lower() for name, value in headers if name.lower() == b"cache-control")
    if "no-store" in said or "no-cache" in said:
        return 0
    found = _MAX_AGE.search(said)
    return int(found[1]) if found else None
