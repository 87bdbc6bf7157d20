"""One assertion used fifty times at once, by two service processes on one database: exactly one token.

Source: SMART App Launch 2.2.0, client-confidential-asymmetric.html, on the jti that is not accepted again.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import httpx
import pytest

from service.settings import Settings
from service.wiring import build_pipeline
from tests.access.clients import BASE, bearer, register
from tests.conftest import Service

_USES = 50


@pytest.mark.sampled
def test_fifty_uses_of_one_assertion_at_once_are_one_token(
    database_url: str, start_service: Callable[..., Service], tmp_path: Path
) -> None:
    environment = {
        "AIRWAY_RELAY_ACCESS": "on",
        "AIRWAY_RELAY_PUBLIC_URL": BASE,
        "AIRWAY_RELAY_KEY_FILE": str(tmp_path / "keys.json"),
    }
    with ThreadPoolExecutor(2) as pool:
        started = list(pool.map(lambda _: start_service(database_url, **environment), range(2)))
    pipeline = build_pipeline(Settings(database_url=database_url))
    asking = register(pipeline)
    pipeline.close()
    form, barrier = asking.form(), threading.Barrier(_USES)

    with ExitStack() as stack:
        clients = [stack.enter_context(started[i % 2].client()) for i in range(_USES)]

        def use(client: httpx.Client) -> httpx.Response:
            barrier.wait()
            return client.post("/token", data=form)

        with ThreadPoolExecutor(_USES) as pool:
            answers = list(pool.map(use, clients))
        statuses = Counter(a.status_code for a in answers)
        assert statuses[200] == 1, statuses
        assert set(statuses) <= {200, 401, 429}
        (token,) = [a.json()["access_token"] for a in answers if a.status_code == 200]
        for service in started:
            assert httpx.get(f"{service.address}/fhir/Observation", headers=bearer(token)).status_code == 200
