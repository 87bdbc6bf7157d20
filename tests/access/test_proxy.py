"""The proxy of docker-compose.yml, run for real in front of a service: TLS, who asked, requests that do not come whole.

Only what one machine without containers must change in its configuration is changed: addresses, ports, folders.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.servers import Service, free_port

_PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"
_NGINX, _OPENSSL = shutil.which("nginx", path=_PATH), shutil.which("openssl")
_CONFIGURATION = Path(__file__).parents[2] / "service/proxy/nginx.conf"
pytestmark = pytest.mark.skipif(not (_NGINX and _OPENSSL), reason="nginx and openssl run the proxy of this test")


@dataclass
class Proxied:
    """A proxy before a service."""

    port: int
    service: Service
    trusted: ssl.SSLContext

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=f"https://127.0.0.1:{self.port}", verify=self.trusted, timeout=30)

    def raw(self, begins: bytes) -> ssl.SSLSocket:
        plain = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        encrypted = self.trusted.wrap_socket(plain, server_hostname="127.0.0.1")
        encrypted.sendall(begins)
        return encrypted

    def connections_to_the_service(self) -> int:
        """Established TCP connections to the service's port, by Linux's own table."""
        wanted = f":{self.service.port:04X}"
        rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        return sum(row[2].endswith(wanted) and row[3] == "01" for row in rows)


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    folder = tmp_path_factory.mktemp("proxy")
    folder.chmod(0o755)
    port, service = free_port(), _service(folder)
    _certificate(folder)
    (folder / "cache").mkdir()
    (folder / "cache").chmod(0o777)
    text = _CONFIGURATION.read_text()
    for name, here in {
        "service:8080": f"127.0.0.1:{service.port}",
        "listen 443 ssl": f"listen 127.0.0.1:{port} ssl",
        "/etc/nginx/tls": str(folder),
        "/var/cache/nginx": f"{folder}/cache",
        "client_header_timeout 30s": "client_header_timeout 1s",
        "client_body_timeout 30s": "client_body_timeout 1s",
    }.items():
        assert name in text
        text = text.replace(name, here)
    (folder / "nginx.conf").write_text(text)
    service.start()
    assert _NGINX
    more = f"daemon off; master_process off; pid {folder}/nginx.pid;"
    proxy = subprocess.Popen(
        [_NGINX, "-p", str(folder), "-c", f"{folder}/nginx.conf", "-e", f"{folder}/errors", "-g", more],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        found = Proxied(port, service, ssl.create_default_context(cafile=f"{folder}/certificate.pem"))
        _wait_for(found)
        yield found
    finally:
        proxy.terminate()
        proxy.wait(10)
        service.stop()


def _service(folder: Path) -> Service:
    environment = {"AIRWAY_RELAY_PUBLIC_URL": "https://relay.example", "AIRWAY_RELAY_PROXIES": "127.0.0.1"}
    return Service(f"sqlite:///{folder}/relay.db", free_port(), environment)


def _certificate(folder: Path) -> None:
    made = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=relay.example"
    names = f"-addext subjectAltName=IP:127.0.0.1 -keyout {folder}/key.pem -out {folder}/certificate.pem"
    subprocess.run([str(_OPENSSL), *made.split(), *names.split()], check=True, capture_output=True)


def _wait_for(proxied: Proxied) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            with proxied.client() as client:
                if client.get("/livez").status_code == 200:
                    return
        except httpx.TransportError:
            time.sleep(0.1)
    raise AssertionError("the proxy did not start")


def test_requests_by_tls_count_as_https_and_as_their_senders(proxied: Proxied) -> None:
    with proxied.client() as client, proxied.service.client() as straight:
        assert straight.get("/fhir/metadata").status_code == 403
        answer = client.get("/fhir/metadata")
        assert answer.status_code == 200
        assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
        told = {"X-Forwarded-Proto": "http", "X-Forwarded-For": "203.0.113.9"}
        assert client.get("/fhir/metadata", headers=told).status_code == 200
        assert client.get("/fhir/Patient", headers=told).status_code == 200
        assert client.get("/fhir/metadata", headers={"Host": "elsewhere.example"}).status_code == 421
        assert _addresses_in_the_audit(client) == {"127.0.0.1"}


def _addresses_in_the_audit(client: httpx.Client) -> set[str]:
    """Whoever asked, as the entries of the audit tell it."""
    until = time.monotonic() + 10
    found: set[str] = set()
    while not found and time.monotonic() < until:
        entries = client.get("/fhir/AuditEvent").json().get("entry", [])
        agents = [agent for entry in entries for agent in entry["resource"]["agent"]]
        found = {agent["network"]["address"] for agent in agents if agent["requestor"] and "network" in agent}
    return found


def test_old_tls_is_not_spoken(proxied: Proxied) -> None:
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    old.set_ciphers("ALL:@SECLEVEL=0")
    old.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
    old.options |= ssl.OP_NO_TLSv1_2 | ssl.OP_NO_TLSv1_3
    with (
        socket.create_connection(("127.0.0.1", proxied.port), timeout=5) as plain,
        pytest.raises(ssl.SSLError, match="ALERT_PROTOCOL_VERSION"),
    ):
        old.wrap_socket(plain)


def test_requests_that_do_not_come_whole_never_reach_the_service_and_end(proxied: Proxied) -> None:
    head = b"POST /token HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    heads = [proxied.raw(head) for _ in range(10)]
    small = [proxied.raw(head + b"Content-Length: 1000\r\n\r\na=") for _ in range(10)]
    large = [proxied.raw(head + b"Content-Length: 4000000\r\n\r\n" + b"a" * 400_000) for _ in range(10)]
    time.sleep(0.3)
    assert proxied.connections_to_the_service() == 0
    with proxied.client() as client:
        assert client.get("/livez").status_code == 200
    for one in (*heads, *small, *large):
        one.settimeout(8)
        assert _ends(one)
    assert proxied.connections_to_the_service() == 0


def _ends(one: ssl.SSLSocket) -> bool:
    try:
        while one.recv(4096):
            pass
    except TimeoutError:
        return False
    except OSError:
        return True
    return True


_WHAT_IT_SAYS = [
    (4_990_000, 400, "The body is not JSON"),
    (5_500_000, 413, "larger than 5000000 bytes"),
    (7_000_000, 413, "nginx"),
]


@pytest.mark.parametrize(("size", "status", "says"), _WHAT_IT_SAYS)
def test_bodies_up_to_the_limit_of_the_service_pass(proxied: Proxied, size: int, status: int, says: str) -> None:
    """The service says itself what it thinks of a body, up to a size at which the proxy does."""
    with proxied.client() as client:
        answer = client.post("/fhir/Patient", content=b" " * size, headers={"Content-Type": "application/json"})
    assert answer.status_code == status
    assert says in answer.text
