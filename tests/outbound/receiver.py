"""A receiver of notices: a small HTTP server in a thread that keeps what it was sent, and can misbehave."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from service.fhir.json_text import load


@dataclass
class Receiver:
    """What was received, in order: (headers, Bundle). `answers` are the statuses of the next answers, then 200."""

    port: int = 0
    scheme: str = "http"
    received: list[tuple[dict[str, str], dict[str, Any]]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)
    extra_headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    wait_s: float = 0
    asked: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}/hook"

    def kinds(self) -> list[str]:
        return [value(bundle, "type") for _, bundle in self.received]

    def numbers(self) -> list[int]:
        """Event numbers in the order in which they came."""
        return [n for _, bundle in list(self.received) for n in numbers_of(bundle)]

    def wait_for(self, number: int, seconds: float = 30) -> None:
        """Until an event of that number has come."""
        until = time.monotonic() + seconds
        while number not in self.numbers():
            assert time.monotonic() < until, f"event {number} did not come: {self.numbers()[-5:]}"
            time.sleep(0.02)


def parameters(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    return bundle["entry"][0]["resource"]["parameter"]


def value(bundle: dict[str, Any], name: str) -> Any:
    found = next(p for p in parameters(bundle) if p["name"] == name)
    return next(v for k, v in found.items() if k.startswith("value"))


def events(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    """Each event as a dictionary of its parts."""
    found = [p["part"] for p in parameters(bundle) if p["name"] == "notification-event"]
    return [{p["name"]: next(v for k, v in p.items() if k.startswith("value")) for p in parts} for parts in found]


def numbers_of(bundle: dict[str, Any]) -> list[int]:
    return [int(event["event-number"]) for event in events(bundle)]


@contextmanager
def receiving(certificate: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    """A receiver on a free port of loopback."""
    told = Receiver(scheme="https" if certificate else "http")

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            time.sleep(told.wait_s)
            with told.lock:
                told.asked += 1
                status = told.answers.pop(0) if told.answers else 200
            self.send_response(status)
            for name, text in told.extra_headers.items():
                self.send_header(name, text)
            self.end_headers()
            self.wfile.write(told.body)

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            time.sleep(told.wait_s)
            with told.lock:
                told.asked += 1
                status = told.answers.pop(0) if told.answers else 200
                if 200 <= status < 300:
                    told.received.append(({k.lower(): v for k, v in self.headers.items()}, load(body.decode())))
            self.send_response(status)
            for name, text in told.extra_headers.items():
                self.send_header(name, text)
            self.end_headers()
            self.wfile.write(told.body)

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        request_queue_size = 64

        def handle_error(self, *_: Any) -> None:
            pass

    server = Server(("127.0.0.1", 0), Handler)
    if certificate:
        server.socket = certificate.wrap_socket(server.socket, server_side=True)
    told.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield told
    finally:
        server.shutdown()
        server.server_close()
