"""No log line holds anything of a message, an address's query, a token or a secret, whatever is sent and whatever fails.

Values that stand nowhere else are sent through every door and every way to fail; then all that was logged is searched.
"""

from __future__ import annotations

import json
import logging
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy.exc import IntegrityError
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.json_text import write
from service.outbound.addresses import Egress
from service.outbound.senders import Sent
from service.pipeline import Pipeline
from service.settings import Settings
from service.web.log_lines import JsonLines
from tests.outbound.asked import subscription
from tests.store.test_delivery import Hands, Kept
from tests.web.messages import Case, bundle, changed, example, post, put, referral

NAME, NUMBER, WORDS = "Plantedname", "PLANTED-4711", "planted words of a patient"
BIRTH_DATE, TOKEN, SECRET = "1957-03-29", "planted.token.abc", "planted-secret-value"
QUERY, REASON, KIND = "plantedquery", "planted reason to look", "Plantedkind"
PLANTED = (NAME, NUMBER, WORDS, BIRTH_DATE, TOKEN, SECRET, QUERY, REASON, KIND)
BEARER = {"Authorization": f"Bearer {TOKEN}", "Cookie": f"session={TOKEN}"}
FORM = "application/x-www-form-urlencoded"


class Everything(logging.Handler):
    """Keeps all that is logged: each record as its line, and ours as any other formatter could show them."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []
        self.raw: list[str] = []
        self.setFormatter(JsonLines())

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(self.format(record))
        if record.name.startswith("airway_relay"):
            plain = logging.Formatter("%(message)s").format(record)
            self.raw.append(f"{plain} {vars(record)!r}")


@pytest.fixture
def logged() -> Iterator[Everything]:
    """All that is logged, at every level, by everybody."""
    kept, root = Everything(), logging.getLogger()
    level = root.level
    root.addHandler(kept)
    root.setLevel(logging.DEBUG)
    yield kept
    root.removeHandler(kept)
    root.setLevel(level)


@pytest.fixture
def client(sqlite_pipeline: Pipeline) -> TestClient:
    settings = Settings(egress=Egress("127.0.0.1", on_loopback=True), delivers=False)
    return TestClient(build_app(settings, sqlite_pipeline), raise_server_exceptions=False, headers=BEARER)


def planted_referral() -> dict[str, Any]:
    body = referral(referral_number=f"R-{NUMBER}", patient__id=NUMBER, patient__birth_date=BIRTH_DATE)
    body["patient"] |= {"family_name": NAME, "given_name": NAME}
    return body


def patient(**elements: Any) -> dict[str, Any]:
    return {
        "resourceType": "Patient",
        "identifier": [{"system": "https://x.example/patients", "value": NUMBER}],
        "name": [{"family": NAME, "text": WORDS}],
        "gender": "unknown",
        "birthDate": BIRTH_DATE,
        **elements,
    }


def drive(client: TestClient | httpx.Client, number: str = "", patient_id: str = "none") -> set[int]:
    """Send planted values every way there is, well formed and not; the statuses that came back."""
    seen: list[int] = []

    def ask(method: str, path: str, body: Any = None, media: str = "application/json", **headers: str) -> Any:
        content = body if isinstance(body, bytes | str) or body is None else write(body)
        answer = client.request(method, path, content=content, headers={"Content-Type": media, **headers})
        seen.append(answer.status_code)
        return answer

    case = number or "AR-NONE"
    ask("POST", "/intake/referrals", planted_referral())
    ask("POST", "/intake/referrals", changed(planted_referral(), patient__birth_date=f"{BIRTH_DATE}T"))
    for door in ("referral-state", "progress", "appliances", "assessments", "sleep-tests", "visits", "decisions"):
        ask("POST", f"/intake/cases/{case}/{door}", {NAME: WORDS, "reason": WORDS, "entry_id": NUMBER})
    for text in (f'{{"a": "{WORDS}"', f'{{"{NAME}": 1, "{NAME}": 2}}', WORDS, b"\xff" + WORDS.encode()):
        ask("POST", "/intake/referrals", text)
        ask("POST", "/fhir/Patient", text)
    ask("POST", "/fhir/Patient", patient())
    ask("POST", "/fhir/Patient", patient(birthDate=f"{BIRTH_DATE}-9", **{NAME: WORDS}))
    ask("POST", "/fhir/Patient", patient(), media=f"text/{NAME}")
    ask("POST", "/fhir/Patient", patient(), **{"If-None-Exist": f"identifier={NUMBER}"})
    ask("PUT", f"/fhir/Patient/{patient_id}", patient(id=patient_id), **{"If-Match": f'W/"{NUMBER}"'})
    ask("PUT", f"/fhir/Patient?identifier={NUMBER}", patient())
    ask("DELETE", f"/fhir/Communication/{NUMBER}")
    ask("PATCH", f"/fhir/Patient/{NAME}", "{}")
    ask("POST", "/fhir/Patient/$validate", patient(name=WORDS))
    for kind in ("transaction", "batch"):
        entries = [
            {"resource": patient(), "request": {"method": "POST", "url": "Patient"}},
            {"request": {"method": "GET", "url": f"Patient?name={NAME}"}},
            {"request": {"method": NAME, "url": f"Patient/{NUMBER}"}},
        ]
        ask("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": entries})
        ask("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": entries[:2]})
    for query in (f"name={NAME}", f"birthdate={BIRTH_DATE}", f"identifier={NUMBER}", f"{QUERY}=1", "_page=planted"):
        ask("GET", f"/fhir/Patient?{query}")
        ask("GET", f"/fhir/Patient?{query}", Prefer="handling=strict")
        ask("POST", "/fhir/Patient/_search", query, media=FORM)
    for path in (
        f"/fhir/{KIND}/1",
        f"/fhir/Patient/{NUMBER}",
        f"/fhir/Patient/{NUMBER}/_history/{QUERY}",
        f"/fhir/Patient/{patient_id}",
        f"/fhir/Patient/{patient_id}/$everything?_type={KIND}",
        f"/fhir/Task/_history?_since={QUERY}",
        f"/fhir/CarePlan/{case}/$readiness?asOf={QUERY}",
        f"/cases?whose_move={QUERY}",
        f"/cases/{NUMBER}",
        f"/cases/{case}/messages",
        f"/cases/{NUMBER}/page",
        f"/{NAME}/{WORDS}",
        f"/fhir/metadata?{QUERY}",
        "/health",
        "/",
    ):
        ask("GET", path)
        ask("GET", path, **{"X-Emergency-Reason": REASON})
        ask("GET", path, **{"X-Emergency-Access": WORDS})
        ask("GET", path, **{"If-None-Match": SECRET, "Accept": f"x/{NAME}"})
    ask("POST", "/emergency-access", {"case_number": case, "reason": REASON, "person": NAME})
    ask("TRACE", f"/fhir/Patient/{NAME}")
    channel = {**subscription()["channel"], "header": [f"Authorization: Bearer {SECRET}"]}
    ask("POST", "/fhir/Subscription", {**subscription(), "channel": channel})
    ask("POST", "/fhir/Subscription", {**subscription(), "channel": {**channel, "endpoint": f"http://{NAME}.example"}})
    ask("POST", "/fhir/Subscription", {**subscription(), "criteria": WORDS, "reason": WORDS})
    return set(seen)


def assert_nothing_planted(text: str) -> None:
    assert not [value for value in PLANTED if value.lower() in text.lower()]


def test_what_is_sent_is_not_logged(client: TestClient, logged: Everything, sqlite_pipeline: Pipeline) -> None:
    case = Case(client, planted_referral()).fitted()
    case.sent("progress", example("dental-office/progress"))
    assert {200, 201, 204, 400, 403, 404, 405, 406, 412, 415, 422} <= drive(
        client, case.number, case.patient.split("/")[1]
    )
    sender = Kept()
    sender.answers = [Sent(f"The endpoint said {WORDS}.", for_good=False)]
    Hands(sqlite_pipeline, sender).work()
    sqlite_pipeline.read_audit.flush()
    assert len(logged.lines) > 100
    assert_nothing_planted("\n".join([*logged.lines, *logged.raw]))


def test_what_fails_is_not_logged_in_its_own_words(
    client: TestClient, logged: Everything, sqlite_pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = Case(client, planted_referral())

    def failing(*_: Any, **__: Any) -> Any:
        raise IntegrityError(f"INSERT {WORDS}", {"name": NAME}, ValueError(NUMBER))

    for name in ("resource", "search", "take", "receive", "case", "worklist", "everything", "refresh_some"):
        monkeypatch.setattr(sqlite_pipeline, name, failing)
    monkeypatch.setattr(sqlite_pipeline.read_audit._database, "write", failing)
    statuses = drive(client, case.number, case.patient.split("/")[1])
    assert 500 in statuses
    entries = [{"request": {"method": "GET", "url": case.patient}}]
    assert post(client, "/fhir", {**bundle(), "type": "batch", "entry": entries}).status_code == 200
    put(client, f"/fhir/{case.patient}", patient(id="x"))
    monkeypatch.undo()
    assert any('"request failed"' in line for line in logged.lines)
    assert any('"entry of a batch failed"' in line for line in logged.lines)
    assert_nothing_planted("\n".join([*logged.lines, *logged.raw]))


def test_a_request_is_one_line_of_json(client: TestClient, logged: Everything) -> None:
    answer = client.get(f"/fhir/Patient/{NUMBER}?{QUERY}")
    [line] = [held for text in logged.lines if (held := json.loads(text))["event"] == "request"]
    assert {k: line[k] for k in ("level", "method", "route", "status", "request_id")} == {
        "level": "info",
        "method": "GET",
        "route": "/fhir/{kind}/{resource_id}",
        "status": 404,
        "request_id": answer.headers["x-request-id"],
    }
    assert line["ms"] >= 0
    assert line["time"].endswith("+00:00")


def test_of_an_exception_its_type_and_places_are_told() -> None:
    try:
        raise ValueError(WORDS)
    except ValueError:
        record = logging.LogRecord("uvicorn.error", logging.ERROR, "x", 1, "Exception in it\n", (), sys.exc_info())
    line = json.loads(JsonLines().format(record))
    assert (line["error"], line["event"]) == ("ValueError", "Exception in it")
    assert line["at"][-1].startswith("test_log_lines.py:")
    other = logging.LogRecord("sqlalchemy.pool", logging.ERROR, "x", 1, f"all of {WORDS}", (), None)
    assert WORDS not in JsonLines().format(other)


def test_the_service_in_its_own_process_logs_json_and_nothing_planted(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "DATABASE_URL": f"sqlite:///{tmp_path}/relay.db", "AIRWAY_RELAY_PORT": str(port)}
    log = tmp_path / "log"
    with log.open("w") as stderr:
        command = [sys.executable, "-m", "service", "serve"]
        process = subprocess.Popen(command, env=environment, stdout=stderr, stderr=stderr)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers=BEARER, timeout=30) as client:
                _wait_for(client)
                drive(client)
            with socket.create_connection(("127.0.0.1", port)) as raw:
                raw.sendall(f"{NAME} /{QUERY} {WORDS}\r\n\r\n".encode())
                raw.recv(1000)
        finally:
            process.terminate()
            process.wait(30)
    text = log.read_text()
    lines = [json.loads(line) for line in text.splitlines()]
    assert len([line for line in lines if line["event"] == "request"]) > 80
    assert_nothing_planted(text)


def _wait_for(client: httpx.Client) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            if client.get("/health").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise AssertionError("the service did not start")
