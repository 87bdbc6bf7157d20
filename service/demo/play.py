"""`airway-relay demo`: a service of its own on loopback, a fresh database, the scenario through the real API."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

from service.client.failure import RelayError
from service.client.relay import RelayClient
from service.client.sending import Retries
from service.demo.scenario import Story, stories
from service.stop_signals import end_on_signals, hold_signals_back, let_signals_through

_START_SECONDS = 30
_STOP_SECONDS = 10


def play(once: bool, port: int) -> int:
    """Play the scenario and print where to look. Stays up until SIGINT or SIGTERM unless `once`."""
    end_on_signals(unfinished=once)
    with tempfile.TemporaryDirectory(prefix="airway-relay-demo-") as folder:
        port = port or _free_port()
        log = Path(folder) / "service.log"
        address = f"http://127.0.0.1:{port}"
        with _service(folder, port, log) as server, RelayClient(address, retries=Retries(most=0)) as client:
            if not _ready(client, server):
                print(f"The service did not start:\n{log.read_text()[-2000:]}", file=sys.stderr)
                return 1
            print("An invented scenario: every place, person and number is made up.\n")
            try:
                numbers = [_tell(client, story) for story in stories(datetime.now(UTC).date())]
            except RelayError as error:
                print(f"A message of the scenario was refused: {error}", file=sys.stderr)
                return 1
            _summary(client, numbers[0])
            _addresses(address, numbers[0])
            if not once:
                print("\nPress Ctrl-C to stop.", flush=True)
                server.wait()
    return 0


@contextlib.contextmanager
def _service(folder: str, port: int, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The service, which ends with the block whatever ends the block."""
    hold_signals_back()
    with log.open("wb") as stream:
        server = _start(folder, port, stream)
    try:
        let_signals_through()
        yield server
    finally:
        server.terminate()
        try:
            server.wait(_STOP_SECONDS)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _start(folder: str, port: int, log: object) -> subprocess.Popen[bytes]:
    environment = {
        **{k: v for k, v in os.environ.items() if not k.startswith("AIRWAY_RELAY_")},
        "DATABASE_URL": f"sqlite:///{folder}/demo.db",
        "AIRWAY_RELAY_PORT": str(port),
        "AIRWAY_RELAY_CALLBACKS": "127.0.0.1",
        "AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK": "yes",
    }
    command = [sys.executable, "-m", "service", "serve"]
    return subprocess.Popen(command, env=environment, stdout=log, stderr=log)  # type: ignore[call-overload]


def _ready(client: RelayClient, server: subprocess.Popen[bytes]) -> bool:
    until = time.monotonic() + _START_SECONDS
    while time.monotonic() < until and server.poll() is None:
        try:
            return client.plain.health()["status"] == "well"
        except RelayError:
            time.sleep(0.05)
    return False


def _tell(client: RelayClient, story: Story) -> str:
    """Play one patient's story; its case number."""
    patient = story.referral["patient"]
    print(f"{patient['given_name']} {patient['family_name']}: {story.title}")
    answer = client.plain.refer(story.referral)
    number = str(answer["case_number"])
    print(f"  sleep laboratory  referral      -> case {number}")
    for sender, what, body in story.messages:
        answer = client.plain.send(number, what, body)
        print(f"  {sender:<17} {what:<13} -> {answer['readiness']['outcome']}")
    print(f"  {answer['whose_move']}'s move. {answer['why']}\n")
    return number


class _Text(HTMLParser):
    """The CarePlan narrative as lines of text."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = [""]

    def handle_starttag(self, tag: str, attrs: object) -> None:
        """Begin a line at a block; mark headings and list items."""
        if tag in ("p", "h2", "h3", "li"):
            self.lines.append({"li": "  - ", "h3": "\n"}.get(tag, ""))

    def handle_data(self, data: str) -> None:
        """Add text to the line."""
        self.lines[-1] += data


def _summary(client: RelayClient, number: str) -> None:
    """The CarePlan summary that a physician's system pulls, as text."""
    from fhir.resources.R4B.careplan import CarePlan

    plan = client.fhir.read(CarePlan, number)
    text = _Text()
    text.feed(str(plan.text.div) if plan.text else "")
    print(f"--- CarePlan/{number}, as a physician's system pulls it ---")
    print("\n".join(line for line in text.lines if line))


def _addresses(address: str, number: str) -> None:
    print("\nAddresses to open:")
    for path, what in (
        ("/", "the board: whose move it is, with forms to go on with"),
        ("/physician", "what waits for the physician"),
        (f"/cases/{number}/page", "this case on a page"),
        (f"/fhir/CarePlan/{number}", "its CarePlan"),
        (f"/cases/{number}", "its decision with every reason, as JSON"),
        ("/fhir/metadata", "what the FHIR server can do"),
    ):
        print(f"  {address}{path}  {what}")
