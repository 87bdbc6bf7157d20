"""Two trios of offices that share nothing, each with a case of its own, behind one service with access control.

A request names its client in a header of the tests; the layer here turns that into the grant a token would give.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from httpx import Response
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.grant import OPEN, Grant, Office, scopes_of
from service.app import build_app
from service.fhir.json_text import load, write
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.pipeline.access.directory import Directory
from service.settings import Settings
from service.wiring import build_pipeline
from tests.access.played import played_before
from tests.conftest import Clock
from tests.web.messages import example

HEADER = "x-test-client"
WHOLE = ("system/*.cruds",)
WARD = "ward"
"""The client that may open emergency access."""


@dataclass
class Grants:
    """The grants of clients by name; no name has everything, as while access control is off."""

    app: ASGIApp
    held: dict[str, Grant] = field(default_factory=dict)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            name = dict(scope["headers"]).get(HEADER.encode(), b"").decode()
            scope.setdefault("state", {})["grant"] = self.held[name] if name else OPEN
        await self.app(scope, receive, send)


@dataclass
class Trio:
    """A laboratory, a dental office and a physician's practice, and the case they share."""

    lab: str
    dentist: str
    physician: str
    number: str
    """Of the referral; the patient's and the test's numbers are made of it."""
    family: str
    case: str = ""
    links: dict[str, str] = field(default_factory=dict)

    @property
    def clients(self) -> tuple[str, str, str]:
        return (self.lab, self.dentist, self.physician)

    def referral(self) -> dict[str, Any]:
        body = example("sleep-lab/referral")
        body["laboratory"] = {"id": self.lab, "name": f"{self.lab} laboratory"}
        body["dental_office"] = {"id": self.dentist, "name": f"{self.dentist} dentists"}
        body["physician"]["practice"] = {"id": self.physician, "name": f"{self.physician} practice"}
        body["physician"]["id"] = f"dr-{self.number}"
        body["referral_number"] = f"R-{self.number}"
        body["patient"] |= {"id": f"P-{self.number}", "family_name": self.family}
        body["baseline_test"]["test_number"] = f"T-{self.number}"
        return body


class World:
    """The service, its clients, and two cases."""

    def __init__(self, client: TestClient, grants: Grants, pipeline: Pipeline) -> None:
        self.client = client
        self.pipeline = pipeline
        self.directory = Directory(pipeline)
        self.grants = grants
        self.here = Trio("lab-east", "dental-east", "medical-east", "71", "Ashdown")
        self.there = Trio("lab-west", "dental-west", "medical-west", "82", "Brackenfell")

    def ask(self, name: str, method: str, path: str, body: Any = None, **headers: str) -> Response:
        """A request of a client."""
        content = None if body is None else body if isinstance(body, str) else write(body)
        media = {"Content-Type": "application/json"} if body is not None else {}
        return self.client.request(method, path, content=content, headers={**media, HEADER: name, **headers})

    def add(self, name: str, office: Office | None, *scopes: str, organisation: str = "") -> None:
        """Register a client; its organisation is its own unless another's is named."""
        organisation = organisation or self.organisation(name)
        offices = frozenset([office] if office else Office)
        self.grants.held[name] = Grant(name, offices, organisation, scopes_of(scopes or WHOLE))

    def organisation(self, number: str) -> str:
        """`Organization/id` of a number, registered when it is bound to none."""
        return self.directory.known_as(number, f"Office {number}")

    def admit(self, trio: Trio) -> None:
        """Register the clients of a trio."""
        for name, office in zip(trio.clients, (Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN), strict=True):
            self.add(name, office)

    def play(self, trio: Trio, decided: bool = True) -> None:
        """The story of a case, whole or up to the decision, each message sent by the office whose it is."""
        self.admit(trio)
        answer = self.ask(trio.lab, "POST", "/intake/referrals", trio.referral())
        assert answer.status_code == 201, answer.text
        trio.case = answer.json()["case_number"]
        for name, door, body in self.story(trio)[: None if decided else -1]:
            answer = self.ask(name, "POST", f"/intake/cases/{trio.case}/{door}", body)
            assert answer.status_code in (200, 201), (door, answer.text)
        trio.links = self.ask(trio.physician, "GET", f"/cases/{trio.case}").json()["resources"]

    def story(self, trio: Trio) -> list[tuple[str, str, dict[str, Any]]]:
        """(client, door, message) of a case from acceptance to the decision."""
        tested = example("sleep-lab/efficacy-test")
        tested["laboratory"] = {"id": trio.lab, "name": f"{trio.lab} laboratory"}
        tested["test"]["test_number"] = f"E-{trio.number}"
        return [
            (trio.dentist, "referral-state", example("dental-office/accept")),
            (trio.dentist, "assessments", example("dental-office/assessment")),
            (trio.dentist, "appliances", example("dental-office/appliance")),
            (trio.dentist, "progress", example("dental-office/progress")),
            (trio.physician, "test-orders", {**example("physician/test-order"), "proposal": None}),
            (trio.lab, "sleep-tests", tested),
            (trio.physician, "decisions", example("physician/decision")),
        ]

    def resources_of(self, trio: Trio) -> dict[str, list[dict[str, Any]]]:
        """Every current resource of a case and its patient, by type, read without access control."""
        kinds = "Patient Condition ServiceRequest Task Device DeviceUseStatement Encounter Observation DiagnosticReport"
        kinds += " CarePlan QuestionnaireResponse AuditEvent GuidanceResponse Provenance"
        patient = trio.links["patient"].split("/")[1]
        answer = self.ask("", "GET", f"/fhir/Patient/{patient}/$everything?_count=200&_type={kinds.replace(' ', ',')}")
        found: dict[str, list[dict[str, Any]]] = {}
        for entry in load(answer.text)["entry"]:
            found.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
        return found


@contextmanager
def world(database_url: str, clock: Clock, partitions: int = 0, *, decided: bool = True) -> Iterator[World]:
    """Two cases told from beginning to end, or up to the physician's decision."""
    egress = Egress("127.0.0.1", on_loopback=True)
    settings = Settings(
        database_url=database_url,
        partitions=partitions,
        egress=egress,
        delivers=False,
        emergency_clients=frozenset({WARD}),
    )
    played = played_before(database_url, f"{partitions} {clock.now} {decided}")
    if played.trios is None:
        with _opened(settings, clock) as made:
            for trio in (made.here, made.there):
                made.play(trio, decided)
            played.keep((made.here, made.there))
        played.save()
    else:
        played.restore()
    with _opened(settings, clock) as made:
        made.here, made.there = played.trios_anew()
        for trio in (made.here, made.there):
            made.admit(trio)
        yield made


@contextmanager
def _opened(settings: Settings, clock: Clock) -> Iterator[World]:
    pipeline = build_pipeline(settings, clock=clock)
    grants = Grants(build_app(settings, pipeline))
    with TestClient(grants, raise_server_exceptions=False) as client:
        yield World(client, grants, pipeline)
