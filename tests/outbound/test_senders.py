"""Sending by HTTP: the address that was checked is the one connected to; nothing of the answer is trusted."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpcore
import pytest

from service.outbound.addresses import Egress
from service.outbound.senders import HttpSender, Sent
from tests.outbound.receiver import Receiver, receiving

BODY = b'{"resourceType": "Bundle", "entry": []}'
LOOPBACK = Egress("127.0.0.1 localhost", on_loopback=True)
NAMED = Egress("hooks.office.example")


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as found:
        yield found


class Rebinding:
    """A resolver that gives other addresses each time it is asked, and remembers how often it was."""

    def __init__(self, *answers: list[str]) -> None:
        self.answers = list(answers)
        self.asked: list[tuple[str, int]] = []

    def __call__(self, host: str, port: int) -> list[str]:
        self.asked.append((host, port))
        return self.answers.pop(0)


@pytest.fixture
def connected(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Where the sender would have connected to; every such connection is refused."""
    seen: list[tuple[str, int]] = []

    class Nowhere(httpcore.SyncBackend):
        def connect_tcp(self, host: str, port: int, *_args: object, **_kw: object) -> httpcore.NetworkStream:
            seen.append((host, port))
            raise httpcore.ConnectError()

    monkeypatch.setattr(httpcore, "SyncBackend", Nowhere)
    return seen


def test_a_notice_is_posted_with_its_headers(receiver: Receiver) -> None:
    sent = HttpSender(LOOPBACK).send(receiver.url, [("Authorization", "Bearer word")], BODY, 5)
    assert sent == Sent()
    ((headers, body),) = receiver.received
    assert headers["authorization"] == "Bearer word"
    assert headers["content-type"] == "application/fhir+json"
    assert headers["host"] == f"127.0.0.1:{receiver.port}"
    assert body["resourceType"] == "Bundle"


def test_the_name_is_looked_up_once_and_the_checked_address_is_connected_to(connected: list[tuple[str, int]]) -> None:
    resolver = Rebinding(["93.184.216.34", "2a00:1450:4001::200e"], ["127.0.0.1"])
    sent = HttpSender(NAMED, resolver).send("https://hooks.office.example/x", [], BODY, 5)
    assert sent.failure and not sent.for_good
    assert resolver.asked == [("hooks.office.example", 443)]
    assert connected == [("93.184.216.34", 443), ("2a00:1450:4001::200e", 443)]


@pytest.mark.parametrize(
    "addresses",
    [["127.0.0.1"], ["93.184.216.34", "10.0.0.7"], ["169.254.169.254"], ["::ffff:127.0.0.1"], ["64:ff9b::7f00:1"], []],
)
def test_a_name_that_leads_to_any_other_place_is_not_connected_to(
    connected: list[tuple[str, int]], addresses: list[str]
) -> None:
    sent = HttpSender(NAMED, Rebinding(addresses)).send("https://hooks.office.example/x", [], BODY, 5)
    assert sent.for_good and "address" in sent.failure
    assert connected == []


def test_a_name_that_was_public_yesterday_is_checked_again_today(connected: list[tuple[str, int]]) -> None:
    sender = HttpSender(NAMED, Rebinding(["93.184.216.34"], ["127.0.0.1"]))
    sender.send("https://hooks.office.example/x", [], BODY, 5)
    assert sender.send("https://hooks.office.example/x", [], BODY, 5).for_good
    assert connected == [("93.184.216.34", 443)]


def test_an_address_taken_from_the_list_meanwhile_is_not_looked_up() -> None:
    resolver = Rebinding()
    sent = HttpSender(Egress("other.example"), resolver).send("https://hooks.office.example/x", [], BODY, 5)
    assert sent.for_good and resolver.asked == []


def test_a_name_that_is_not_found_is_tried_again() -> None:
    def nothing(_host: str, _port: int) -> list[str]:
        raise socket.gaierror()

    sent = HttpSender(NAMED, nothing).send("https://hooks.office.example/x", [], BODY, 5)
    assert sent.failure and not sent.for_good


def test_a_redirect_is_not_followed(receiver: Receiver) -> None:
    with receiving() as elsewhere:
        receiver.answers = [307]
        receiver.extra_headers = {"Location": elsewhere.url}
        sent = HttpSender(LOOPBACK).send(receiver.url, [], BODY, 5)
        assert "redirects are not followed" in sent.failure
        assert elsewhere.received == []


@pytest.mark.parametrize(("status", "for_good"), [(500, False), (404, False), (401, False), (429, False), (410, True)])
def test_any_other_answer_is_a_failure(receiver: Receiver, status: int, for_good: bool) -> None:
    receiver.answers = [status]
    sent = HttpSender(LOOPBACK).send(receiver.url, [], BODY, 5)
    assert sent == Sent(f"The endpoint answered {status}.", for_good)


def test_the_body_of_an_answer_is_not_read(receiver: Receiver) -> None:
    receiver.body = b"x" * 50_000_000
    began = time.monotonic()
    assert HttpSender(LOOPBACK).send(receiver.url, [], BODY, 5) == Sent()
    assert time.monotonic() - began < 5


def test_a_slow_answer_ends_at_its_time(receiver: Receiver) -> None:
    receiver.wait_s = 3
    began = time.monotonic()
    sent = HttpSender(LOOPBACK).send(receiver.url, [], BODY, 0.5)
    assert sent.failure == "The endpoint did not answer in time."
    assert time.monotonic() - began < 2


@pytest.mark.parametrize("drip", [b"X-A: b\r\n", b"HTTP/1.1 100 Continue\r\n\r\n"])
def test_an_answer_that_never_ends_is_cut_off(drip: bytes) -> None:
    """Headers without end, slowly: each read succeeds, and yet the time is up."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                try:
                    connection.sendall(
                        b"HTTP/1.1 100 Continue\r\n\r\n" if drip.startswith(b"HTTP") else b"HTTP/1.1 200 OK\r\n"
                    )
                    for _ in range(100):
                        connection.sendall(drip)
                        time.sleep(0.1)
                except OSError:
                    return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        began = time.monotonic()
        sent = HttpSender(LOOPBACK).send(f"http://127.0.0.1:{server.getsockname()[1]}/", [], BODY, 1)
        assert sent.failure
        assert time.monotonic() - began < 3


def test_an_answer_longer_than_a_header_needs_is_cut_off() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken = 0

        def serve() -> None:
            nonlocal taken
            connection, _ = server.accept()
            with connection:
                try:
                    connection.sendall(b"HTTP/1.1 200 OK\r\n")
                    for _ in range(10_000):
                        connection.sendall(b"X-A: " + b"b" * 8000 + b"\r\n")
                        taken += 8000
                except OSError:
                    return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        sent = HttpSender(LOOPBACK).send(f"http://127.0.0.1:{server.getsockname()[1]}/", [], BODY, 5)
        thread.join(5)
        assert sent.failure
        assert taken < 20_000_000


def test_nobody_there_is_tried_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    sent = HttpSender(LOOPBACK).send(f"http://127.0.0.1:{port}/", [], BODY, 5)
    assert sent.failure and not sent.for_good


def _certificate(folder: Path, name: str) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """A self-signed certificate for a name: the server's side, and a client's side that trusts it."""
    key, certificate = folder / f"{name}.key", folder / f"{name}.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}"]
    command += ["-addext", f"subjectAltName=DNS:{name}", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(command, check=True, capture_output=True)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(certificate, key)
    return server, ssl.create_default_context(cafile=str(certificate))


@pytest.mark.skipif(shutil.which("openssl") is None, reason="certificates are made with openssl, which is not here")
@pytest.mark.parametrize(("name", "taken"), [("localhost", True), ("other.example", False)])
def test_the_certificate_must_bear_the_name_although_the_address_is_pinned(
    tmp_path: Path, name: str, taken: bool
) -> None:
    server, trusting = _certificate(tmp_path, name)
    with receiving(server) as receiver:
        url = f"https://localhost:{receiver.port}/hook"
        sent = HttpSender(LOOPBACK, Rebinding(["127.0.0.1"]), trusting).send(url, [], BODY, 5)
        assert (sent == Sent()) == taken
        assert len(receiver.received) == taken
        if taken:
            assert receiver.received[0][0]["host"] == f"localhost:{receiver.port}"


@pytest.mark.skipif(shutil.which("openssl") is None, reason="certificates are made with openssl, which is not here")
def test_a_certificate_nobody_vouches_for_is_refused(tmp_path: Path) -> None:
    server, _ = _certificate(tmp_path, "localhost")
    with receiving(server) as receiver:
        url = f"https://localhost:{receiver.port}/hook"
        sent = HttpSender(LOOPBACK, Rebinding(["127.0.0.1"])).send(url, [], BODY, 5)
        assert sent.failure and receiver.received == []


def test_proxies_of_the_environment_are_not_used(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "HTTPS_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    assert HttpSender(LOOPBACK).send(receiver.url, [], BODY, 5) == Sent()
