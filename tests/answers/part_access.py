"""Two trios of offices with a case each, access control on: what everybody is answered about the case of the others."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from service.access.grant import Office
from service.app import build_app
from service.rules.site import Site
from service.wiring import build_pipeline
from tests.access.world import HEADER, Grants, World
from tests.answers.asking import Asker, Connected, data_of, ids_in_order, settings_of
from tests.answers.changes import example
from tests.conftest import Clock

OFFICES = (Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN)
_SEARCHES = [
    "Patient",
    "Task",
    "CarePlan",
    "Observation",
    "ServiceRequest",
    "Communication",
    "Organization",
    "AuditEvent",
    "Provenance",
]


@contextmanager
def two_trios(folder: Path, connected: Connected) -> Iterator[tuple[World, Asker]]:
    """A service whose clients are told by a header of the tests, and nothing in it."""
    clock = Clock()
    settings = settings_of(folder, Site())
    with ids_in_order():
        pipeline = build_pipeline(settings, clock=clock)
        grants = Grants(build_app(settings, pipeline))
        try:
            with connected(grants) as client:
                parts: list[Any] = [client, grants, pipeline]
                world = World(*parts[: len(inspect.signature(World).parameters)])
                yield world, Asker(client, clock, pipeline)
        finally:
            pipeline.close()


def played(world: World, asker: Asker) -> None:
    """Both cases from referral to decision, each message first by the two offices whose it is not."""
    for trio in (world.here, world.there):
        for name, office in zip(trio.clients, OFFICES, strict=True):
            world.add(name, office)
    world.add("stranger", None)
    world.add("reader", Office.PHYSICIAN, "system/*.rs", organisation=world.organisation(world.here.physician))
    for trio in (world.here, world.there):
        _as(asker, "reader", "POST", "/intake/referrals", trio.referral())
        answer = _as(asker, trio.lab, "POST", "/intake/referrals", trio.referral())
        trio.case = data_of(answer).get("case_number", "none")
        for name, door, body in world.story(trio):
            others = (*trio.clients, "stranger", "reader") if trio is world.here else ()
            for other in (*(o for o in others if o != name), name):
                _as(asker, other, "POST", f"/intake/cases/{trio.case}/{door}", body)
        trio.links = data_of(_as(asker, trio.physician, "GET", f"/cases/{trio.case}")).get("resources", {})


def walked(world: World, asker: Asker) -> None:
    """Every party, the offices of the other case and strangers at every door of one case."""
    played(world, asker)
    here = world.here
    note = {
        "resourceType": "Communication",
        "status": "completed",
        "subject": {"reference": here.links.get("patient", "none")},
        "basedOn": [{"reference": here.links.get("referral", "none")}],
    }
    task = data_of(_as(asker, here.dentist, "GET", f"/fhir/{here.links.get('task', 'Task/none')}"))
    for name in (*here.clients, world.there.dentist, "stranger", "reader"):
        for end in ("", "/readiness", "/messages", "/page", "/letter"):
            _as(asker, name, "GET", f"/cases/{here.case}{end}")
        for reference in here.links.values():
            if isinstance(reference, str) and "/" in reference:
                _as(asker, name, "GET", f"/fhir/{reference}")
        _as(asker, name, "GET", f"/fhir/{here.links.get('patient')}/$everything?_count=200&_type=Patient,Task,CarePlan")
        _as(asker, name, "GET", f"/fhir/CarePlan/{here.case}/$readiness")
        _as(asker, name, "GET", "/cases")
        for kind in _SEARCHES:
            _as(asker, name, "GET", f"/fhir/{kind}?_summary=count")
        _as(asker, name, "POST", "/fhir/Communication", note)
        _as(asker, name, "POST", "/fhir/Subscription", example("physician/subscription"))
        for status in ("on-hold", "completed", "cancelled", "draft"):
            _as(asker, name, "PUT", f"/fhir/{here.links.get('task')}", {**task, "status": status}, If_Match='W/"9"')
        for door in ("cancellation", "cancellation-answer", "completion"):
            folder = "dental-office" if door == "cancellation-answer" else "physician"
            _as(asker, name, "POST", f"/intake/cases/{here.case}/{door}", example(f"{folder}/{door}"))
    _as(asker, here.physician, "GET", f"/cases/{here.case}")


def _as(asker: Asker, name: str, method: str, path: str, body: Any = None, **headers: str) -> Any:
    return asker.ask(method, path, body, **{HEADER: name, **headers})
