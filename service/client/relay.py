"""The client of one server: `with RelayClient("http://127.0.0.1:8080") as relay: relay.plain.refer(...)`."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import httpx

from service.client.plain import PlainAddresses
from service.client.sending import Retries, Sender
from service.client.token import BackendKey

if TYPE_CHECKING:
    from service.client.fhir import Fhir

_TIMEOUT_SECONDS = 30


class RelayClient:
    """A client of one server, for one thread at a time: `plain` for its plain doors, `fhir` for its FHIR base.

    With a `key` each request carries a token of SMART Backend Services; without, none, as while access control is off.
    `http` replaces the connection, for certificates or a time limit of your own; its base is then the address.
    """

    def __init__(
        self,
        address: str = "",
        key: BackendKey | None = None,
        retries: Retries | None = None,
        http: httpx.Client | None = None,
    ) -> None:
        self._http = http or httpx.Client(base_url=address, timeout=_TIMEOUT_SECONDS)
        self._sender = Sender(self._http, retries or Retries(), key)
        self.plain = PlainAddresses(self._sender)

    @cached_property
    def fhir(self) -> Fhir:
        """The FHIR base; its typed models are loaded when it is first used, which takes some tenths of a second."""
        from service.client.fhir import Fhir

        return Fhir(self._sender)

    def close(self) -> None:
        """End the connections."""
        self._http.close()

    def __enter__(self) -> RelayClient:
        """The client, closed at the end of the block."""
        return self

    def __exit__(self, *_failure: object) -> None:
        """Close it."""
        self.close()
