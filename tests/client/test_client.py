"""The client for integrators against a service in a process of its own, with access control on, and against bad servers."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.careplan import CarePlan
from fhir.resources.R4B.communication import Communication
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.organization import Organization
from fhir.resources.R4B.patient import Patient
from fhir.resources.R4B.task import Task

from service.client.failure import RelayError
from service.client.plain import carries_own_numbers
from service.client.relay import RelayClient
from service.client.sending import Retries
from service.client.token import BackendKey
from service.client.typed import as_resource, written
from tests.access.clients import ec_key, public_set
from tests.conftest import Service
from tests.web.messages import example

ROOT = Path(__file__).parents[2]
KEY = ec_key()
FHIR = {"Content-Type": "application/fhir+json"}
EMPTY = '{"resourceType": "Bundle", "type": "searchset"}'


@pytest.fixture
def relay(start_service: Callable[..., Service], tmp_path: Path) -> Iterator[RelayClient]:
    url, keys = f"sqlite:///{tmp_path}/relay.db", tmp_path / "public.json"
    service = start_service(url, AIRWAY_RELAY_ACCESS="on", AIRWAY_RELAY_KEY_FILE=f"{tmp_path}/keys.json")
    keys.write_bytes(public_set(KEY))
    offices = [part for office in ("sleep-lab", "dental-office", "physician") for part in ("--office", office)]
    named = ["--name", "A system", "--organisation-id", "tarnwick-sleep", "--organisation-name", "Tarnwick"]
    added = service.operator("client", "add", *named, *offices, "--scope", "system/*.cruds", "--jwks", str(keys))
    key = BackendKey(added.splitlines()[-1].strip(), dict(KEY.as_dict(private=True)), ("system/*.cruds",))
    with RelayClient(service.address, key=key) as client:
        yield client


def test_a_token_by_key_opens_every_door(relay: RelayClient) -> None:
    number = relay.plain.refer(example("sleep-lab/referral"))["case_number"]
    assert relay.plain.case(number)["case_number"] == number
    assert [case["case_number"] for case in relay.plain.cases(("limit", "1"))] == [number]
    assert relay.plain.messages(number)["messages"]
    assert relay.plain.readiness(number)["as_of"]
    plan = relay.fhir.read(CarePlan, number)
    patient = str(plan.subject.reference).removeprefix("Patient/")
    assert relay.fhir.vread(CarePlan, number, "1").meta.versionId == "1"
    assert [p.meta.versionId for p in relay.fhir.history(CarePlan, number)][-1] == "1"
    assert relay.fhir.readiness(number).code
    assert {"Patient", "Task"} <= {r.get_resource_type() for r in relay.fhir.everything(patient, ("_count", "5"))}
    pages = list(relay.fhir.pages("Observation", ("patient", patient), ("_count", "2")))
    assert len(pages) > 2
    found = list(relay.fhir.search(Observation, ("patient", patient), ("_count", "2")))
    assert len({o.id for o in found}) == len(found) == sum(len(page.entry) for page in pages)
    index = [o.valueQuantity.value for o in found if o.valueQuantity]
    assert "22.40" in [str(value) for value in index]
    (task,) = relay.fhir.search(Task, ("patient", patient))
    assert not [i for i in relay.fhir.validate(task).issue if i.severity in ("error", "fatal")]


def test_a_message_is_created_found_updated_and_deleted(relay: RelayClient) -> None:
    number = relay.plain.refer(example("sleep-lab/referral"))["case_number"]
    links = relay.plain.case(number)["resources"]
    note = Communication(
        status="completed",
        identifier=[{"system": "https://x.example/notes", "value": "1"}],
        subject={"reference": links["patient"]},
        basedOn=[{"reference": links["referral"]}],
        extension=[{"url": "https://x.example/size", "valueDecimal": Decimal("12.50")}],
    )
    first = relay.fhir.create_if_none(note, "identifier=https://x.example/notes|1")
    again = relay.fhir.create_if_none(note, "identifier=https://x.example/notes|1")
    assert first.id == again.id
    assert '"valueDecimal": 12.50' in written(relay.fhir.read(Communication, first.id))
    first.language = "en"
    second = relay.fhir.update(first)
    assert second.meta.versionId == "2"
    assert str(second.extension[0].valueDecimal) == "12.50"
    with pytest.raises(RelayError) as stale:
        relay.fhir.update(first)
    assert stale.value.status == 412
    assert stale.value.problems[0].text
    relay.fhir.delete(Communication, first.id)
    with pytest.raises(RelayError) as gone:
        relay.fhir.read(Communication, first.id)
    assert gone.value.status == 410


def test_a_transaction_answers_in_order_and_a_refusal_names_the_place(relay: RelayClient) -> None:
    bundle = as_resource((ROOT / "examples/sleep-lab/referral-bundle.json").read_text(), Bundle)
    assert '"value": 17.90' in written(bundle)
    answered = relay.fhir.transaction(bundle)
    assert [entry.response.status[:3] for entry in answered.entry] == ["201"] * len(bundle.entry)
    with pytest.raises(RelayError) as refused:
        relay.plain.refer({**example("sleep-lab/referral"), "epworth_total": 99})
    assert refused.value.status == 422
    assert [p.expression for p in refused.value.problems] == ["epworth_total"]
    assert "Calloway" not in f"{refused.value}{refused.value!r}{refused.value.__context__}"


class _Server(HTTPServer):
    """Answers each request with the next of its answers, and keeps what was asked."""

    def __init__(self, answers: list[tuple[int, dict[str, str], str]]) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.answers, self.asked = answers, list[str]()


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def _answer(self) -> None:
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.server.asked.append(f"{self.command} {self.path}")
        status, headers, text = self.server.answers.pop(0)
        self.send_response(status)
        for name, value in {"Content-Length": str(len(text)), **headers}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(text.encode())

    do_GET = do_POST = do_PUT = _answer

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@pytest.fixture
def server() -> Iterator[Callable[..., _Server]]:
    started: list[_Server] = []

    def start(*answers: tuple[int, dict[str, str], str]) -> _Server:
        started.append(_Server([*answers]))
        threading.Thread(target=started[-1].serve_forever, daemon=True).start()
        return started[-1]

    yield start
    for one in started:
        one.shutdown()
        one.server_close()


def client_of(server: _Server, slept: list[float]) -> RelayClient:
    return RelayClient(f"http://127.0.0.1:{server.server_port}", retries=Retries(sleep=slept.append))


BUSY = (503, {"Retry-After": "7"}, "{}")


def test_a_busy_server_is_asked_again_when_it_says(server: Callable[..., _Server]) -> None:
    slept: list[float] = []
    busy = server(BUSY, (503, {}, "{}"), (200, {}, EMPTY))
    assert list(client_of(busy, slept).fhir.search(Task)) == []
    assert slept == [7, 1]


def test_a_server_that_asks_for_too_long_a_wait_or_stays_busy_is_given_up(server: Callable[..., _Server]) -> None:
    slept: list[float] = []
    with pytest.raises(RelayError) as long:
        client_of(server((503, {"Retry-After": "3600"}, "{}")), slept).plain.case("AR-1")
    assert (long.value.status, slept) == (503, [])
    busy = server(*[BUSY] * 9)
    with pytest.raises(RelayError):
        client_of(busy, slept).plain.case("AR-1")
    assert len(busy.asked) == 5


def test_a_post_is_repeated_only_when_it_is_safe(server: Callable[..., _Server]) -> None:
    slept: list[float] = []
    patient = Patient(gender="unknown")
    unsafe = server(BUSY)
    with pytest.raises(RelayError):
        client_of(unsafe, slept).fhir.create(patient)
    assert (len(unsafe.asked), slept) == (1, [])
    stored = written(patient)
    safe = server(BUSY, (201, {}, stored))
    client_of(safe, slept).fhir.create_if_none(patient, "identifier=7")
    assert len(safe.asked) == 2
    plain = server(BUSY, (200, {}, "{}"))
    client_of(plain, slept).plain.send("AR-1", "progress", {"check_ins": [{"entry_id": "c1"}]})
    assert len(plain.asked) == 2


@pytest.mark.parametrize(
    ("message", "own"),
    [
        ({"referral_number": "R-1"}, True),
        ({"test": {"test_number": "T"}, "laboratory": {}}, True),
        ({"settings": [{"entry_id": "s1"}], "check_ins": []}, True),
        ({"settings": [{"entry_id": "s1"}, {"set_on": "2026-01-01"}]}, False),
        ({"state": "accepted", "on": "2026-08-06"}, False),
        ({"test": {}}, False),
        ({}, False),
    ],
)
def test_which_plain_messages_carry_their_own_numbers(message: dict[str, object], own: bool) -> None:
    assert carries_own_numbers(message) is own


@pytest.mark.parametrize(
    "link",
    ["http://elsewhere.example/fhir/Task", "//127.0.0.2/fhir", "http://127.0.0.1:1/fhir", "http://x@127.0.0.1/fhir"],
)
def test_a_next_link_to_another_server_is_not_followed(server: Callable[..., _Server], link: str) -> None:
    page = {"resourceType": "Bundle", "type": "searchset", "link": [{"relation": "next", "url": link}]}
    asked = server((200, {}, json.dumps(page)))
    with pytest.raises(RelayError, match="another server"):
        list(client_of(asked, []).fhir.search(Task))
    assert len(asked.asked) == 1


def test_a_redirect_is_not_followed_and_an_id_is_one_step(server: Callable[..., _Server]) -> None:
    moved = server((307, {"Location": "http://elsewhere.example/"}, ""))
    with pytest.raises(RelayError) as failed:
        client_of(moved, []).plain.case("AR-1")
    assert failed.value.status == 307
    with pytest.raises(RelayError, match="id"):
        client_of(moved, []).fhir.read(Task, "../Patient/1")


def test_without_a_server_the_failure_says_so() -> None:
    slept: list[float] = []
    with pytest.raises(RelayError, match="cannot be connected") as failed:
        RelayClient("http://127.0.0.1:9", retries=Retries(sleep=slept.append)).plain.case("AR-1")
    assert (failed.value.status, len(slept)) == (0, 4)


def test_a_token_is_renewed_before_it_ends_and_after_it_was_refused() -> None:
    asked: list[str] = []
    refused = [True]

    def answer(request: httpx.Request) -> httpx.Response:
        asked.append(request.url.path)
        if request.url.path.endswith("smart-configuration"):
            return httpx.Response(200, json={"token_endpoint": "http://here.example/token"})
        if request.url.path == "/token":
            return httpx.Response(200, json={"access_token": f"t{len(asked)}", "expires_in": 20})
        if refused.pop() if refused else False:
            return httpx.Response(401, json={})
        return httpx.Response(200, json={})

    http = httpx.Client(base_url="http://here.example", transport=httpx.MockTransport(answer))
    relay = RelayClient(key=BackendKey("me", dict(KEY.as_dict(private=True)), ("system/*.rs",)), http=http)
    relay.plain.case("AR-1")
    relay.plain.case("AR-1")
    assert asked == ["/.well-known/smart-configuration", *["/token", "/cases/AR-1"] * 3]


def test_serve_and_help_do_not_load_typed_models_and_the_client_stands_alone() -> None:
    for script, absent in (
        ("import service.__main__ as m; m._parser()", ("fhir.resources", "httpx", "service.client")),
        ("import service.commands.serve, service.app", ("fhir.resources", "service.client")),
        ("import service.client.relay", ("fhir.resources", "service.fhir", "service.errors")),
        ("import service.client.fhir", ("service.fhir", "service.errors", "service.pipeline")),
    ):
        shown = f"import sys; {script}; print(*sorted(sys.modules))"
        done = subprocess.run([sys.executable, "-c", shown], capture_output=True, text=True, check=True, cwd=ROOT)
        loaded = set(done.stdout.split())
        assert not loaded & set(absent), script


def test_the_example_runs(start_service: Callable[..., Service], tmp_path: Path) -> None:
    service = start_service(f"sqlite:///{tmp_path}/relay.db")
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples/client.py"), service.address], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "rei: 22.40 events/h" in done.stdout
    assert "refused with 412" in done.stdout


def test_an_update_of_what_was_never_read_is_refused(relay: RelayClient) -> None:
    with pytest.raises(RelayError, match="id and meta"):
        relay.fhir.update(Organization(name="Never read"))
