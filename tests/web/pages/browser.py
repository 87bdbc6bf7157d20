"""A headless Chromium and a service of its own with the demo's cases, for the tests that look at pages as people do."""

from __future__ import annotations

import contextlib
import shutil
import socket
import threading
from collections.abc import Iterator
from datetime import date
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from service.demo.scenario import stories
from service.fhir.json_text import write
from tests.conftest import Service

WIDTHS = (390, 1280)
SETTLED = "settled at 2 mm for three weeks"
TESTED = "tested, partial response, waiting for the physician"
CORRECTED = "uneven sides, a sore jaw, and entries put right"


def chromium() -> str:
    """The address of a Chromium on this machine; empty when there is none."""
    return next(
        (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), ""
    )


class Demo:
    """A running service with cases by the titles of their stories."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.address = service.address
        self.numbers: dict[str, str] = {}

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = httpx.post(
            f"{self.address}{path}", content=write(body), headers={"Content-Type": "application/json"}, timeout=30
        )
        assert answer.status_code in (200, 201), answer.text
        return answer.json()

    def case(self, number: str) -> dict[str, Any]:
        return httpx.get(f"{self.address}/cases/{number}", timeout=30).json()

    def tell(self, today: date) -> None:
        """Play the demo's stories."""
        for story in stories(today):
            number = self.post("/intake/referrals", story.referral)["case_number"]
            self.numbers[story.title] = number
            for _, what, body in story.messages:
                self.post(f"/intake/cases/{number}/{what}", body)


@contextlib.contextmanager
def running(folder: Path) -> Iterator[Demo]:
    """A service of its own on a fresh database."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    service = Service(f"sqlite:///{folder}/pages.db", port)
    service.start()
    try:
        yield Demo(service)
    finally:
        service.stop()


@contextlib.contextmanager
def another_site(page: str) -> Iterator[str]:
    """A site that is not ours, with one page: by its other name this machine is another site to a browser."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(page.encode())

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://localhost:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


@contextlib.contextmanager
def launched() -> Iterator[Any]:
    """A headless Chromium, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        held = playwright.chromium.launch(executable_path=chromium(), chromium_sandbox=False)
        yield held
        held.close()


@contextlib.contextmanager
def opening(
    browser: Any, address: str, usual_width: int, height: int, *, said_besides: tuple[str, ...]
) -> Iterator[Any]:
    """Opens pages that may ask nothing of any other place, and say nothing on the console but of those refusals."""
    contexts: list[Any] = []
    asked: list[str] = []
    said: list[str] = []

    def opened(width: int = usual_width, **options: Any) -> Any:
        context = browser.new_context(base_url=address, viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        return page

    yield opened
    for context in contexts:
        context.close()
    assert asked
    assert {urlsplit(url).netloc for url in asked} == {urlsplit(address).netloc}
    assert not [line for line in said if not any(one in line for one in said_besides)], said
