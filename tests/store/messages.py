"""Messages for store tests: the examples, small entries, and ways to post them to a pipeline or a service."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import httpx

from service.fhir.build import Draft
from service.fhir.json_text import load, write
from service.inbound.fhir_bundle import map_bundle
from service.inbound.plain import Mapped
from service.intake.answers import Answer
from service.intake.message import Received
from service.new_id import new_id
from service.pipeline import Pipeline
from service.web.intake_api import DOORS

EXAMPLES = Path(__file__).parents[2] / "examples"
DOOR_BY_NAME = {door.name: door for door in DOORS}


def example(name: str) -> dict[str, Any]:
    """An example, e.g. `sleep-lab/referral.json`."""
    return load((EXAMPLES / name).read_text())


def referral(number: str = "R-2044") -> dict[str, Any]:
    """The example referral under another number, of a patient of its own."""
    body = example("sleep-lab/referral.json")
    body["referral_number"] = number
    body["patient"]["id"] = f"P-{number}"
    body["baseline_test"]["test_number"] = f"{number}-B"
    return body


def referral_bundle(number: str) -> dict[str, Any]:
    """The example Bundle under another number, of a patient of its own."""
    text = (EXAMPLES / "sleep-lab/referral-bundle.json").read_text()
    return load(text.replace("3077", number))


@dataclass(frozen=True, slots=True)
class Post:
    """A plain message: the name of its door and its body."""

    door: str
    body: dict[str, Any]

    def changed(self, **values: Any) -> Post:
        """The message with other values at its top."""
        return Post(self.door, {**copy.deepcopy(self.body), **values})


def accepted(on: str = "2026-08-06") -> Post:
    return Post("referral-state", {"state": "accepted", "on": on})


def assessed() -> Post:
    return Post("assessments", example("dental-office/assessment.json"))


def delivered(**values: Any) -> Post:
    return Post("appliances", {**example("dental-office/appliance.json"), **values})


def setting(entry: str, on: str, both: Any, **values: Any) -> Post:
    body = {"entry_id": entry, "set_on": on, "advance_left_mm": both, "advance_right_mm": both, **values}
    return Post("progress", {"settings": [body]})


def check_in(entry: str, on: str, snoring: Any = 2, **values: Any) -> Post:
    body = {
        "entry_id": entry,
        "reported_on": on,
        "snoring_0_to_10": snoring,
        "restedness_0_to_10": 8,
        "nights_reported": 7,
        "nights_worn": 6,
        "hours_per_night": 6.5,
        "witnessed_pauses": False,
        **values,
    }
    return Post("progress", {"check_ins": [body]})


def red_flag(entry: str, on: str, **values: Any) -> Post:
    closed = {"resolved_by": "Dr Teal", "action_taken": "Seen and advised"} if "resolved_on" in values else {}
    flag = {"entry_id": entry, "reported_on": on, "kind": "drowsy-driving", **closed, **values}
    return Post("progress", {"red_flags": [flag]})


def ordered(number: str, on: str) -> Post:
    return Post("test-orders", {"order_number": number, "ordered_on": on})


def settled_course() -> list[Post]:
    """A course that is ready for an efficacy test on 2026-11-20: 2 mm since 20 October, two good check-ins."""
    return [
        accepted(),
        assessed(),
        delivered(),
        setting("s0", "2026-08-24", 0),
        setting("s1", "2026-10-20", 2),
        check_in("c1", "2026-11-06"),
        check_in("c2", "2026-11-13"),
    ]


def take(pipeline: Pipeline, post: Post, case_number: str | None = None, text: bytes | None = None) -> Answer:
    """Put a plain message into a pipeline, as its door does."""
    door = DOOR_BY_NAME[post.door]
    mapping = door.mapping
    if door.of_a_case and door.needs_number:
        mapping = partial(mapping, case_number=case_number)
    received = Received(f"intake {door.name}", text or write(post.body).encode(), new_id(), plain=True)
    return pipeline.receive(received, mapping, case_number)


def take_bundle(pipeline: Pipeline, bundle: dict[str, Any]) -> Answer:
    """Put a transaction Bundle into a pipeline, as the FHIR base does."""
    received = Received("fhir transaction", write(bundle).encode(), new_id(), plain=False, interaction="transaction")
    return pipeline.receive(received, map_bundle)


def opened_case(pipeline: Pipeline, posts: list[Post] | None = None) -> str:
    """A new case with posts taken in order; its number."""
    number = take(pipeline, Post("referrals", referral())).case_number
    for post in posts or []:
        take(pipeline, post, number)
    return number


def send(client: httpx.Client, post: Post, case_number: str | None = None) -> httpx.Response:
    """Post a plain message to a service."""
    below = f"/cases/{case_number}/{post.door}" if case_number else f"/{post.door}"
    return client.post(f"/intake{below}", content=write(post.body), headers={"Content-Type": "application/json"})


def take_drafts(pipeline: Pipeline) -> Answer:
    """Put an organisation known by a number into a pipeline, and one known only by saying that it is part of it."""
    named = {
        "resourceType": "Organization",
        "identifier": [{"system": "https://millbeck.example/places", "value": "house"}],
        "name": "Millbeck Dental Rooms",
    }
    nameless = {"resourceType": "Organization", "name": "Upper floor", "partOf": {"reference": "urn:test:house"}}
    drafts = [
        Draft(named, "urn:test:house", "", identity=("https://millbeck.example/places", "house")),
        Draft(nameless, "urn:test:floor", ""),
    ]
    received = Received("fhir transaction", b"{}", new_id(), plain=False, interaction="transaction")
    return pipeline.receive(received, lambda _: Mapped(drafts))
