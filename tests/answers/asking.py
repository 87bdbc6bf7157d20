"""A service with a clock that stands still, and the requests made of it with their answers."""

from __future__ import annotations

import itertools
import threading
import time
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from datetime import time as time_of_day
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from starlette.testclient import TestClient

from service import new_id
from service.app import build_app
from service.deciding import house
from service.fhir.json_text import load, write
from service.ids import case_number_of, id_of
from service.outbound.addresses import Egress
from service.rules.site import Site
from service.settings import Settings
from service.wiring import build_pipeline
from tests.answers.placeholders import Placeholders
from tests.conftest import Clock
from tests.servers import free_port

BASE = "http://127.0.0.1:8080"
HEADERS_OF_THE_ANSWER = (
    "content-type",
    "etag",
    "last-modified",
    "location",
    "allow",
    "www-authenticate",
    "retry-after",
)
_FIRST_ID_MS = 1_790_000_000_000

Pair = dict[str, Any]
"""method, path, headers and body of a request; status, answered (headers) and answer (the text) of what came back.

`about` says of requests that are alike what each is about.
"""


@dataclass
class Asker:
    """Makes requests and keeps them with their answers, in order."""

    client: httpx.Client
    clock: Clock
    pipeline: Any
    pairs: list[Pair] = field(default_factory=list)
    placeholders: Placeholders = field(default_factory=Placeholders)
    _about: str = ""
    told_headers: tuple[str, ...] = ("Content-Type", "If-Match", "If-None-Match", "If-None-Exist", "Accept", "Prefer")

    def on(self, day: date) -> None:
        """Move the clock to the noon of a day."""
        self.clock.now = datetime.combine(day, time_of_day(12), UTC)

    def about(self, words: str) -> Asker:
        """Say what the next request is about."""
        self._about = words
        return self

    def ask(self, method: str, path: str, body: Any = None, /, **headers: str) -> httpx.Response:
        """One request; a body that is no text is written as JSON, and header names take `_` for `-`."""
        content = body if body is None or isinstance(body, str | bytes) else write(body)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if content is not None:
            sent.setdefault("Content-Type", "application/json")
        if method not in ("GET", "HEAD") or "AuditEvent" in path or "$everything" in path:
            self._settle()
        answer = self.client.request(method, path, content=content, headers=sent)
        self._keep(method, path, content, sent, answer)
        return answer

    def get(self, path: str, **headers: str) -> httpx.Response:
        return self.ask("GET", path, **headers)

    def _keep(self, method: str, path: str, content: Any, sent: dict[str, str], answer: httpx.Response) -> None:
        text = content.decode("latin-1") if isinstance(content, bytes) else content
        is_text = answer.headers.get("content-type", "").startswith(("application/", "text/html"))
        is_pdf = "pdf" in answer.headers.get("content-type", "")
        place, about, self._about = self.placeholders, self._about, ""
        self.pairs.append(
            {
                "method": method,
                **({"about": about} if about else {}),
                "path": place(path),
                "headers": {n: place(v) for n, v in sent.items() if n in self.told_headers or n.startswith("x-")},
                "body": None if text is None else place(text),
                "status": answer.status_code,
                "answered": {n: place(answer.headers[n]) for n in HEADERS_OF_THE_ANSWER if n in answer.headers},
                "answer": place(answer.text) if is_text and not is_pdf else "",
            }
        )

    def _settle(self) -> None:
        """Wait for audit entries of reads, which are written soon after, so that their order is always the same."""
        queue = getattr(self.pipeline, "read_audit", None)
        if queue is not None:
            queue.flush(10)


def data_of(answer: httpx.Response) -> dict[str, Any]:
    """The answer as JSON; nothing when it is not an object, so that a recording goes on."""
    with suppress(ValueError):
        found = load(answer.text)
        if isinstance(found, dict):
            return found
    return {}


@contextmanager
def ids_in_order() -> Iterator[None]:
    """Ids ascend in the order in which they are given, so that what is listed by id has one order."""
    numbers, letters = itertools.count(), itertools.count(1)
    kept = new_id.time, new_id.secrets, house.id_of, house.case_number_of
    cases: dict[int, int] = {}
    given: dict[int, int] = {}  # a plan that is made again gives the same ids again

    def in_order(_milliseconds: int, drawn: int) -> str:
        given.setdefault(drawn, next(numbers))
        return id_of(_FIRST_ID_MS + given[drawn], 0)

    def numbered(drawn: int) -> str:
        cases.setdefault(drawn, sum(next(letters) % 32 << 5 * place for place in range(9)))
        return case_number_of(cases[drawn])

    house.id_of, house.case_number_of = in_order, numbered
    new_id.time = types.SimpleNamespace(time_ns=lambda: (_FIRST_ID_MS + next(numbers)) * 1_000_000)  # type: ignore[assignment]
    new_id.secrets = types.SimpleNamespace(randbits=lambda _bits: 0)  # type: ignore[assignment]
    try:
        yield
    finally:
        new_id.time, new_id.secrets, house.id_of, house.case_number_of = kept


def settings_of(folder: Path, site: Site) -> Settings:
    """On SQLite in a folder, with notices to this machine allowed and none sent."""
    egress = Egress("127.0.0.1", on_loopback=True)
    return Settings(database_url=f"sqlite:///{folder}/relay.db", site=site, egress=egress, delivers=False)


@contextmanager
def in_process(app: Any) -> Iterator[httpx.Client]:
    """A client of an application in this process, without a socket."""
    with_base = TestClient(app, base_url=BASE, raise_server_exceptions=False, client=("127.0.0.1", 1))
    try:
        yield with_base
    finally:
        with_base.close()


@contextmanager
def over_a_socket(app: Any) -> Iterator[httpx.Client]:
    """A client of an application behind a real server on this machine, known by the same address each time."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, lifespan="off", log_config=None, access_log=False))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started and thread.is_alive():
        time.sleep(0.01)
    host = {"Host": BASE.removeprefix("http://")}
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers=host, timeout=60, verify=False) as client:
            yield client
    finally:
        server.should_exit = True
        thread.join(10)


Connected = Callable[[Any], Any]


@contextmanager
def asking(folder: Path, connected: Connected, region: str = "") -> Iterator[Asker]:
    """A fresh service without a case, on 20 November 2026 until the clock is moved."""
    clock = Clock()
    settings = settings_of(folder, Site(region=region))
    with ids_in_order():
        pipeline = build_pipeline(settings, clock=clock)
        try:
            with connected(build_app(settings, pipeline)) as client:
                yield Asker(client, clock, pipeline)
        finally:
            pipeline.close()
