"""Connections whose sender does not finish, in a service of its own: they end in time, and /livez answers meanwhile.

The deadlines are made short here; `test_the_deadlines_are_half_a_minute` holds what they are otherwise.
"""

from __future__ import annotations

import contextlib
import json
import select
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.settings import Settings, SettingsError
from tests.servers import Service, free_port

SHORT = {"AIRWAY_RELAY_REQUEST_SECONDS": "2", "AIRWAY_RELAY_LEAST_BYTES_PER_SECOND": "1000"}
HALF_HEAD = b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\nX-"
BODY_HEAD = b"POST /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n"
HALF_BODY = BODY_HEAD + b"{"


def _service(folder: Path, before: tuple[str, ...] = (), **environment: str) -> Service:
    url = f"sqlite:///{folder}/relay.db"
    return Service(url, free_port(), {**SHORT, **environment}, before=before, log=folder / "log")


@contextlib.contextmanager
def _running(service: Service) -> Iterator[Service]:
    service.start()
    try:
        yield service
    finally:
        service.stop()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with _running(_service(tmp_path_factory.mktemp("connections"))) as running:
        yield running


class Sender:
    """A raw connection to a service, which says when the other side has closed it."""

    def __init__(self, service: Service, begins: bytes) -> None:
        self.socket = socket.create_connection(("127.0.0.1", service.port), timeout=10)
        self.socket.sendall(begins)

    def is_closed(self) -> bool:
        self.socket.setblocking(False)
        try:
            while self.socket.recv(65536):
                pass
        except BlockingIOError:
            return False
        except OSError:
            return True
        return True

    def drip(self, size: int, every_s: float, longest_s: float) -> float:
        """Send `size` bytes at a time; the seconds until the other side had enough, or `longest_s`."""
        began = time.monotonic()
        with contextlib.suppress(OSError):
            while time.monotonic() - began < longest_s and not self.is_closed():
                self.socket.send(b"x" * size)
                time.sleep(every_s)
        return time.monotonic() - began


def _until_closed(senders: list[Sender], longest_s: float) -> int:
    """How many are closed when all are, or when the time is up."""
    until = time.monotonic() + longest_s
    while time.monotonic() < until and not all(one.is_closed() for one in senders):
        time.sleep(0.1)
    return sum(one.is_closed() for one in senders)


def _livez_s(service: Service) -> float:
    """How long /livez takes on a connection of its own; it must answer."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", service.port), timeout=5) as asking:
        asking.sendall(b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
        answer = b"".join(iter(lambda: asking.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 200 ") and answer.endswith(b'{"status":"alive"}')
    return time.monotonic() - began


def _events(service: Service) -> list[dict[str, object]]:
    assert service.log
    return [json.loads(line) for line in service.log.read_text().splitlines()]


def test_half_sent_requests_end_in_time_and_livez_answers_meanwhile(service: Service) -> None:
    idle = Sender(service, b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    senders = [Sender(service, HALF_HEAD) for _ in range(300)] + [Sender(service, HALF_BODY) for _ in range(100)]
    assert max(_livez_s(service) for _ in range(10)) < 1
    assert not any(one.is_closed() for one in senders)
    assert _until_closed(senders, 8) == 400
    assert _until_closed([idle], 8) == 1  # by uvicorn itself, five seconds after the answer
    told = [line for line in _events(service) if line["event"] == "connections were closed"]
    assert len(told) == 1
    assert not [line for line in _events(service) if line["level"] == "error"]


def test_a_head_that_drips_ends_in_time(service: Service) -> None:
    assert Sender(service, HALF_HEAD).drip(1, 0.2, 8) < 6


def test_a_connection_that_sends_nothing_ends_in_time(service: Service) -> None:
    assert _until_closed([Sender(service, b"")], 6) == 1


def test_a_second_request_on_a_connection_has_a_deadline_too(service: Service) -> None:
    sender = Sender(service, b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    time.sleep(0.5)
    assert sender.socket.recv(65536).startswith(b"HTTP/1.1 200 ")
    sender.socket.sendall(HALF_HEAD)
    assert _until_closed([sender], 6) == 1


@pytest.mark.long
def test_a_body_sent_along_with_the_request_before_it_has_its_own_time(service: Service) -> None:
    sender = Sender(service, b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" + BODY_HEAD)
    for _ in range(80):
        sender.socket.sendall(b" " * 1_250)
        time.sleep(0.08)
    sender.socket.settimeout(10)
    answers = b"".join(iter(lambda: sender.socket.recv(65536), b""))
    assert answers.count(b"HTTP/1.1 200 ") == 1
    assert answers.count(b"HTTP/1.1 400 ") == 1


@pytest.mark.long
def test_a_body_slower_than_the_least_rate_ends_and_a_quicker_one_is_read(service: Service) -> None:
    slow, quick = Sender(service, BODY_HEAD), Sender(service, BODY_HEAD)
    took: list[float] = []
    dripping = threading.Thread(target=lambda: took.append(slow.drip(10, 0.1, 12)))
    dripping.start()
    for _ in range(40):
        quick.socket.sendall(b" " * 2_500)
        time.sleep(0.1)
    quick.socket.settimeout(10)
    assert quick.socket.recv(65536).startswith(b"HTTP/1.1 400 ")
    dripping.join()
    assert took[0] < 8


def test_an_answer_that_nobody_reads_ends_in_time(service: Service) -> None:
    sender = Sender(service, b"")
    sender.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    asked = b"GET /openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    sender.socket.settimeout(1)
    with contextlib.suppress(TimeoutError):  # the service reads no more requests while an answer is in its way
        for _ in range(10_000):
            sender.socket.sendall(asked)
    hung_up = select.poll()
    hung_up.register(sender.socket, 0)
    assert hung_up.poll(8_000)


CHUNKED = BODY_HEAD.replace(b"Content-Length: 100000", b"Transfer-Encoding: chunked")


def test_a_body_in_chunks_is_taken_and_one_in_crumbs_is_cut_off(service: Service) -> None:
    taken, crumbs = Sender(service, CHUNKED), Sender(service, CHUNKED)
    taken.socket.sendall(b"100\r\n" + b" " * 256 + b"\r\n")
    taken.socket.sendall(b"1\r\nx\r\n" * 10_000 + b"0\r\n\r\n")
    assert taken.socket.recv(65536).startswith(b"HTTP/1.1 400 ")
    with contextlib.suppress(OSError):
        crumbs.socket.sendall(b"1\r\nx\r\n" * 800_000)
    assert _until_closed([crumbs], 3) == 1


def test_livez_answers_and_others_are_served_while_hostile_bodies_are_worked_on(service: Service) -> None:
    unknown = {f"k{n}": 1 for n in range(150)}
    body = json.dumps({"resourceType": "Patient", "contact": [unknown] * 300}).encode()
    statuses: list[int] = []

    def send() -> None:
        with service.client() as client:
            answer = client.post("/fhir/Patient", content=body, headers={"Content-Type": "application/fhir+json"})
            statuses.append(answer.status_code)

    senders = [threading.Thread(target=send) for _ in range(12)]
    for one in senders:
        one.start()
    time.sleep(0.3)
    took = [_livez_s(service) for _ in range(5)]
    was_busy = any(one.is_alive() for one in senders)
    for one in senders:
        one.join()
    assert was_busy
    assert set(statuses) <= {422, 429}  # on a slow machine the last ones have waited too long for their turn
    assert statuses.count(422) >= 4
    print(f"/livez took at most {max(took):.2f} s")
    assert max(took) < 1


@pytest.mark.long
@pytest.mark.skipif(not shutil.which("prlimit"), reason="prlimit (util-linux) limits the descriptors")
def test_with_few_descriptors_it_goes_on_answering_and_the_log_stays_small(tmp_path: Path) -> None:
    limited = _service(tmp_path, ("prlimit", "--nofile=100:100"), AIRWAY_RELAY_REQUEST_SECONDS="30")
    with _running(limited):
        senders = [Sender(limited, HALF_HEAD) for _ in range(300)]
        assert max(_livez_s(limited) for _ in range(5)) < 1
        with limited.client(timeout=5) as client:
            assert client.get("/health").status_code == 200
            assert client.get("/fhir/Patient").status_code == 200
        assert max(_livez_s(limited) for _ in range(5)) < 1
        assert sum(one.is_closed() for one in senders) > 200
    assert (tmp_path / "log").stat().st_size < 20_000
    assert not [line for line in _events(limited) if line["level"] == "error"]


@pytest.mark.long
def test_a_tls_handshake_that_is_not_finished_ends_in_time(tmp_path: Path) -> None:
    make = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "1"]
    make += ["-keyout", f"{tmp_path}/key.pem", "-out", f"{tmp_path}/own.pem", "-subj", "/CN=127.0.0.1"]
    if not shutil.which("openssl"):
        pytest.skip("openssl makes the certificate of this test")
    subprocess.run([*make, "-addext", "subjectAltName=IP:127.0.0.1"], check=True, capture_output=True)
    tls = {"AIRWAY_RELAY_TLS_CERTIFICATE": f"{tmp_path}/own.pem", "AIRWAY_RELAY_TLS_KEY": f"{tmp_path}/key.pem"}
    encrypted = _service(tmp_path, **tls)
    encrypted.trusted = ssl.create_default_context(cafile=f"{tmp_path}/own.pem")
    with _running(encrypted):
        assert _until_closed([Sender(encrypted, b"\x16\x03\x01") for _ in range(20)], 8) == 20
        with encrypted.client(timeout=5) as client:
            assert client.get("/livez").json() == {"status": "alive"}


def test_the_deadlines_are_half_a_minute() -> None:
    budgets = Settings.from_environment({}).budgets
    assert (budgets.request_seconds, budgets.least_bytes_per_second) == (30, 8_000)
    assert (budgets.connections, budgets.connections_per_address, budgets.work_per_client) == (512, 64, 4)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("AIRWAY_RELAY_CONNECTIONS", "7"),
        ("AIRWAY_RELAY_CONNECTIONS_PER_ADDRESS", "0"),
        ("AIRWAY_RELAY_REQUEST_SECONDS", "601"),
        ("AIRWAY_RELAY_LEAST_BYTES_PER_SECOND", "none"),
        ("AIRWAY_RELAY_WORK_PER_CLIENT", "101"),
    ],
)
def test_a_budget_outside_its_range_is_refused(name: str, value: str) -> None:
    with pytest.raises(SettingsError, match=name):
        Settings.from_environment({name: value})


def test_livez_needs_no_token_and_no_database(tmp_path: Path) -> None:
    guarded = _service(tmp_path, AIRWAY_RELAY_ACCESS="on", AIRWAY_RELAY_KEY_FILE=f"{tmp_path}/keys.json")
    with _running(guarded), guarded.client(timeout=5) as client:
        assert client.get("/fhir/Patient").status_code == 401
        answer: httpx.Response = client.get("/livez")
        assert (answer.status_code, answer.json()) == (200, {"status": "alive"})
