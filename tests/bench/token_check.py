"""What checking an access token costs on this machine: `python -m tests.bench.token_check`.

Prints microseconds, and asserts nothing. «cached» is what every request after a token's first pays; «first» is the
signature, the claims and the look into the registry; «gate» is the ASGI layer around a cached check.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

from service.settings import Settings
from service.web.gate import Gate
from service.wiring import build_access, build_pipeline
from tests.access.clients import access_settings, bearer, register

ROUNDS, EACH = 50, 2000


def microseconds(work: Callable[[], object], each: int) -> float:
    """The median over rounds of what one call costs."""
    took = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        for _ in range(each):
            work()
        took.append((time.perf_counter() - began) / each * 1e6)
    return median(took)


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        pipeline = build_pipeline(Settings(database_url=f"sqlite:///{folder}/relay.db"))
        access = build_access(access_settings(Path(folder)), pipeline)
        assert access is not None and access.tokens is not None
        asking = register(pipeline)
        token = access.tokens.issue(asking.form(), "127.0.0.1")["access_token"]
        check = access.check
        check.verified(token)

        def cached() -> object:
            return None if check.is_stale else check.known(token)

        def first() -> None:
            check._held.clear()
            check.verified(token)

        async def nothing(*_: Any) -> None:
            return None

        gate = Gate(nothing, check, https_only=False)
        headers = [(k.lower().encode(), v.encode()) for k, v in bearer(token).items()]
        loop = asyncio.new_event_loop()

        async def through() -> None:
            for _ in range(EACH):
                scope = {"type": "http", "path": "/cases", "scheme": "http", "headers": headers}
                await gate(scope, nothing, nothing)  # type: ignore[arg-type]

        print(f"cached check   {microseconds(cached, EACH):8.2f} microseconds")
        print(f"first check    {microseconds(first, 20):8.2f} microseconds")
        print(f"through gate   {microseconds(lambda: loop.run_until_complete(through()), 1) / EACH:8.2f} microseconds")
        loop.close()
        pipeline.close()


if __name__ == "__main__":
    main()
