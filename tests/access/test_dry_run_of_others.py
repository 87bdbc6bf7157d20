"""What a message would change is shown to its parties alone: who may not see a case learns nothing by asking."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.access.world import World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.messages import example


@pytest.fixture
def told(database_url: str, clock: Clock) -> Iterator[World]:
    with world(database_url, clock, PARTITIONS) as made:
        made.add("stranger", None)
        yield made


DOORS = [
    ("referral-state", "dental-office/accept"),
    ("assessments", "dental-office/assessment"),
    ("progress", "dental-office/progress"),
    ("test-orders", "physician/test-order"),
    ("sleep-tests", "sleep-lab/efficacy-test"),
    ("decisions", "physician/decision"),
]


@pytest.mark.parametrize(("door", "name"), DOORS)
def test_a_dry_run_on_a_case_of_others_finds_no_case(told: World, door: str, name: str) -> None:
    for client in (told.there.lab, told.there.dentist, told.there.physician, "stranger"):
        address = f"/intake/cases/{told.here.case}/{door}?dry_run=true"
        answer = told.ask(client, "POST", address, example(name))
        assert answer.status_code in (403, 404), (client, answer.text)
        assert answer.status_code == told.ask(client, "POST", address.partition("?")[0], example(name)).status_code
        assert "Ashdown" not in answer.text and told.here.links["patient"] not in answer.text


def test_validation_for_a_case_of_others_says_nothing_of_it(told: World) -> None:
    body: dict[str, Any] = {
        "resourceType": "Communication",
        "status": "completed",
        "subject": {"reference": told.here.links["patient"]},
        "basedOn": [{"reference": told.here.links["referral"]}],
        "payload": [{"contentString": "Hello."}],
    }
    own = told.ask(told.here.dentist, "POST", f"/fhir/Communication/$validate?case={told.here.case}", body)
    assert f"bring case {told.here.case}" in own.text
    for client in (told.there.lab, told.there.dentist, told.there.physician, "stranger"):
        answer = told.ask(client, "POST", f"/fhir/Communication/$validate?case={told.here.case}", body)
        assert "bring case" not in answer.text, client
        assert "Ashdown" not in answer.text and "stage" not in answer.text


def test_an_office_is_shown_only_what_it_may_write(told: World) -> None:
    answer = told.ask(
        told.here.dentist,
        "POST",
        f"/intake/cases/{told.here.case}/decisions?dry_run=true",
        example("physician/decision"),
    )
    assert answer.status_code == 403
