"""Everything the service emits in the demo scenario, the examples, the journeys and a story of rare things.

Each is played through the real application. What is collected is every version of every resource, and the
answers that are no stored resource: outcomes, bundles, the capability statement, `$readiness`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text
from starlette.testclient import TestClient

from service.app import build_app
from service.deciding import house
from service.deciding.versions import as_version
from service.demo.scenario import stories as demo_stories
from service.fhir.audit_event import MINOR_FAILURE, SERIOUS_FAILURE, Asker, Interaction, audit_event
from service.fhir.json_text import load, write
from service.ids import id_of
from service.outbound.addresses import Egress
from service.outbound.senders import Sent
from service.rules.site import Site
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys.stories import STORIES
from tests.journeys.stories_after import AFTERWARDS
from tests.journeys.stories_between import BETWEEN_OFFICES
from tests.journeys.stories_edges import EDGES
from tests.journeys.story import tell
from tests.outbound.asked import subscription
from tests.outbound.receiver import value
from tests.reference import rare
from tests.store.test_delivery import Hands, Kept

ROOT = Path(__file__).parent.parent.parent
EXAMPLES = ROOT / "examples"
PLAIN, FHIR = {"Content-Type": "application/json"}, {"Content-Type": "application/fhir+json"}
_OF_READS = """type = 'AuditEvent' AND body LIKE '%"outcomeDesc":"read %'"""
_READS, _BUT_READS = (f"FROM resource_version WHERE {is_one}({_OF_READS})" for is_one in ("", "NOT "))
_POSTED = re.compile(r"--data @(examples/\S+\.json)\s+\$ADDRESS(/\S*)")


@dataclass(slots=True)
class Emitted:
    """Resources by where they came from; the key of a stored one is source, type, id and version."""

    resources: dict[str, dict[str, Any]] = field(default_factory=dict)

    def add(self, key: str, resource: dict[str, Any]) -> None:
        """Keep a resource under a key nothing else has."""
        assert key not in self.resources, key
        self.resources[key] = resource


def collect(folder: Path) -> Emitted:
    """Play everything, each into a database of its own below `folder`."""
    found = Emitted()
    _demo(found, folder)
    for index, story in enumerate((*STORIES, *EDGES, *AFTERWARDS, *BETWEEN_OFFICES)):
        with _service(folder, f"journey-{index}", found, Site(region=story.region)) as (client, clock):
            tell(story, client, clock, lambda _event, _case: None)
    _examples(found, folder)
    _notices(found, folder)
    _audit(found)
    with _service(folder, "rare", found) as (client, clock):
        for key, resource in rare.play(client, clock):
            found.add(f"rare {key}", resource)
    return found


@contextmanager
def _service(folder: Path, name: str, found: Emitted, site: Site | None = None) -> Iterator[tuple[TestClient, Clock]]:
    """The application on an empty database; what it then holds and answers is added to `found`."""
    clock = Clock()
    kept, house.id_of = house.id_of, _ascending
    url = f"sqlite:///{folder}/{name}.db"
    pipeline = build_pipeline(Settings(database_url=url, site=site or Site()), clock=clock)
    try:
        settings = Settings(egress=Egress("127.0.0.1", on_loopback=True), delivers=False)
        client = TestClient(build_app(settings, pipeline))
        yield client, clock
        _read_back(client, url, name, found)
    finally:
        pipeline.close()
        house.id_of = kept


_GIVEN: dict[int, int] = {}


def _ascending(milliseconds: int, drawn: int) -> str:
    """Ids that ascend from message to message although the clock stands still, as they do when it goes."""
    return id_of(milliseconds + _GIVEN.setdefault(drawn, len(_GIVEN)), drawn)


def _read_back(client: TestClient, url: str, name: str, found: Emitted) -> None:
    """Every version the database knows of, each read through the API, and what is answered about them."""
    engine = create_engine(url)
    with engine.connect() as connection:
        known = list(connection.execute(text(f"SELECT type, id, version {_BUT_READS} ORDER BY 1, 2, 3")))
    for kind, resource_id, version in known:
        reply = client.get(f"/fhir/{kind}/{resource_id}/_history/{version}")
        assert reply.status_code == 200, reply.text
        found.add(f"{name} {kind}/{resource_id}/_history/{version}", load(reply.text))
    plans = sorted({resource_id for kind, resource_id, _ in known if kind == "CarePlan"})
    asked = list(dict.fromkeys(path for plan in plans for path in _about(client, plan)))
    for path in ["/fhir/metadata", "/fhir/CarePlan/AR-NONE", *asked]:
        found.add(f"{name} {path}", load(client.get(path).text))
    client.get("/")
    client.app.state.pipeline.read_audit.flush()  # type: ignore[attr-defined]
    with engine.connect() as connection:
        entries = [load(body) for body in connection.execute(text(f"SELECT body {_READS} ORDER BY id")).scalars()]
    engine.dispose()
    told = {(e["subtype"][0]["code"], e["outcomeDesc"]): e for e in reversed(entries)}
    for (code, description), event in sorted(told.items()):
        found.add(f"{name} AuditEvent of {code}, {description}", event)


def _notices(found: Emitted, folder: Path) -> None:
    """Every kind of notice of a subscription of everything, and what the operations on it answer."""
    with _service(folder, "notices", found) as (client, _):
        name = post(client, "/fhir/Subscription", subscription(heartbeat_s=60), FHIR)["id"]
        post(client, "/intake/referrals", load((EXAMPLES / "sleep-lab/referral.json").read_text()))
        sender = Kept()
        hands = Hands(client.app.state.pipeline, sender)  # type: ignore[attr-defined]
        hands.work()
        hands.now_s += 60
        sender.answers = [Sent("The endpoint answered 410.", for_good=True)]
        hands.work()
        for bundle in sender.sent:
            found.add(f"notice {value(bundle, 'type')}", bundle)
        below = ("", f"/{name}", "/$status", f"/{name}/$status", f"/{name}/$events", f"/{name}/$events?content=empty")
        for path in below:
            found.add(f"answer /fhir/Subscription{path}", load(client.get(f"/fhir/Subscription{path}").text))


def _audit(found: Emitted) -> None:
    """What the audit tells of a known client, of a person in an emergency, and of who was refused."""
    lab = Asker("lab-7", "Organization/lab", address="192.0.2.7", server="relay.example")
    person = replace(lab, person="dr-invented", emergency="Found unconscious, no letter at hand")
    asked = "GET /fhir/Patient?name=a"
    told = {
        "of a client": (Interaction("create", "r-1", "fhir create", ("Patient/a/_history/1",), ("Patient/a",)), lab),
        "in an emergency": (Interaction("search-type", "r-2", "read by search-type", query=asked), person),
        "of a named person": (
            Interaction("read", "r-8", "read", ("Patient/a/_history/1",), ("Patient/a",)),
            replace(lab, named="Dr Invented", emergency="Found unconscious, no letter at hand"),
        ),
        "deleted by a person": (Interaction("delete", "r-3", "fhir delete", ("Communication/a/_history/2",)), person),
        "signed in": (Interaction("login", "r-5", "signed in"), replace(lab, person="sub-1")),
        "not signed in": (
            Interaction("login", "r-6", "sign-in failed", outcome=MINOR_FAILURE),
            Asker(address="192.0.2.7"),
        ),
        "signed out": (Interaction("logout", "r-7", "signed out"), replace(lab, person="sub-1")),
        "refused": (Interaction("read", "r-4", "refused with 403", query=asked, outcome=SERIOUS_FAILURE), lab),
    }
    for name, (done, asker) in told.items():
        event = audit_event(done, asker, "2026-11-20T09:00:00Z")
        found.add(f"audit {name}", load(as_version(event, "a", 1, "", "2026-11-20T09:00:00Z").body))


def _about(client: TestClient, plan: str) -> tuple[str, ...]:
    patient = load(client.get(f"/cases/{plan}").text)["resources"]["patient"]
    return (
        f"/fhir/CarePlan/{plan}/$readiness",
        f"/fhir/CarePlan/{plan}/$readiness?asOf=2026-01-05",
        f"/fhir/CarePlan/{plan}/$letter",
        f"/fhir/CarePlan/{plan}/_history",
        f"/fhir/CarePlan?patient={patient.removeprefix('Patient/')}",
    )


def post(client: TestClient, path: str, body: Any, headers: dict[str, str] = PLAIN) -> Any:
    """Post a message that must be taken; the answer."""
    reply = client.post(path, content=write(body), headers=headers)
    assert reply.status_code in (200, 201), f"{path}: {reply.text}"
    return load(reply.text)


def _demo(found: Emitted, folder: Path) -> None:
    with _service(folder, "demo", found) as (client, clock):
        for story in demo_stories(clock.now.date()):
            number = post(client, "/intake/referrals", story.referral)["case_number"]
            for _, what, body in story.messages:
                post(client, f"/intake/cases/{number}/{what}", body)


def posted_examples() -> list[tuple[str, str]]:
    """(file, address) of every request on the examples' pages, in reading order."""
    pages = [EXAMPLES / name / "README.md" for name in ("sleep-lab", "dental-office", "physician")]
    return [pair for page in pages for pair in _POSTED.findall(page.read_text())]


def _examples(found: Emitted, folder: Path) -> None:
    """The example requests as their pages give them, and the Observation that is filled in by hand."""
    with _service(folder, "examples", found) as (client, clock):
        clock.now = datetime(2026, 11, 20, 9, tzinfo=UTC)
        number = ""
        for file, address in posted_examples():
            body = load((ROOT / file).read_text())
            path = re.sub(r"\$\{?CASE\}?", number, address)
            answer = post(client, path, body, FHIR if path.startswith("/fhir") else PLAIN)
            number = number or answer.get("case_number", "")
            if path.startswith("/fhir"):
                found.add(f"examples answer to {file}", answer)
    with _service(folder, "example-observation", found) as (client, _):
        answer = post(client, "/intake/referrals", load((EXAMPLES / "sleep-lab/referral.json").read_text()))
        number = answer["case_number"]
        appliance = load((EXAMPLES / "dental-office/appliance.json").read_text())
        post(client, f"/intake/cases/{number}/appliances", appliance)
        patient = load(client.get(f"/cases/{number}").text)["resources"]["patient"]
        blank = (EXAMPLES / "dental-office/setting-observation.json").read_text()
        filled = blank.replace('"PATIENT"', f'"{patient}"').replace('"CASE"', f'"CarePlan/{number}"')
        post(client, "/fhir/Observation", load(filled), FHIR)
