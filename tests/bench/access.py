"""The same measurements with access control on: a registered dental office, and its tokens renewed in time."""

from __future__ import annotations

import os
import time
from collections.abc import Generator

import httpx

from service.access.grant import Office
from service.pipeline.access.directory import Directory
from service.settings import Settings
from service.wiring import build_pipeline
from tests.access.clients import TestedClient, ec_key, register
from tests.store.messages import referral

SWITCH = "AIRWAY_RELAY_BENCH_ACCESS"
"""Set for the whole run by `--access`."""
_RENEWED_AFTER_S = 200
_SCOPES = ("system/*.cruds",)


def is_on() -> bool:
    """Whether this run asks for tokens."""
    return os.environ.get(SWITCH) == "on"


class Tokens(httpx.Auth):
    """Shows the token of the dental office that the example referral asks."""

    def __init__(self, database_url: str, address: str) -> None:
        pipeline = build_pipeline(Settings(database_url=database_url))
        self._key, self._address = ec_key(), address
        practice, organisation = referral()["physician"]["practice"], referral()["dental_office"]["id"]
        Directory(pipeline).known_as(practice["id"], practice["name"])
        self._id = register(pipeline, self._key, _SCOPES, Office.DENTAL_OFFICE, organisation).id
        pipeline.close()
        self._token, self._got_at = "", 0.0

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """Put the token on a request."""
        if time.monotonic() - self._got_at > _RENEWED_AFTER_S or not self._token:
            asking = TestedClient(self._id, self._key, time.time(), self._address, _SCOPES)
            answer = httpx.post(f"{self._address}/token", data=asking.form()).raise_for_status()
            self._token, self._got_at = answer.json()["access_token"], time.monotonic()
        request.headers["Authorization"] = f"Bearer {self._token}"
        yield request
