"""Follow-up visits reach the rules by plain message and by FHIR, and are withdrawn like any entry."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.codes import LOCAL
from service.fhir.json_text import load, write
from tests.conftest import Clock
from tests.journeys.parts import appliance, referral

PLAIN, FHIR = {"Content-Type": "application/json"}, {"Content-Type": "application/fhir+json"}


@pytest.fixture
def case(client: TestClient) -> str:
    """A case whose appliance was delivered 45 days before the clock's day."""
    reply = client.post("/intake/referrals", content=write(referral("J-41", "Amsel", "Ida")), headers=PLAIN)
    number = load(reply.text)["case_number"]
    delivered = {**appliance(0), "delivered_on": "2026-10-06"}
    assert client.post(f"/intake/cases/{number}/appliances", content=write(delivered), headers=PLAIN).status_code == 201
    return number


def visit(client: TestClient, number: str, **body: Any) -> Any:
    return client.post(f"/intake/cases/{number}/visits", content=write(body), headers=PLAIN)


def encounter(client: TestClient, number: str, kind: str, **more: Any) -> dict[str, Any]:
    parties = load(client.get(f"/cases/{number}").text)["resources"]
    return {
        "resourceType": "Encounter",
        "identifier": [{"system": "urn:example:visits", "value": "V-1"}],
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "type": [{"coding": [{"system": LOCAL, "code": kind}]}],
        "subject": {"reference": parties["patient"]},
        "basedOn": [{"reference": parties["referral"]}],
        "period": {"start": "2026-11-05T09:30:00+01:00", "end": "2026-11-05T10:00:00+01:00"},
        **more,
    }


def kept(client: TestClient, number: str) -> dict[str, str | None]:
    visits = load(client.get(f"/cases/{number}").text)["follow_up"]["visits"]
    return {v["office"]: v["kept_on"] for v in reversed(visits)}


def test_the_first_visit_is_due_at_both_offices_until_it_is_told(client: TestClient, case: str) -> None:
    assert kept(client, case) == {"dentist": None, "physician": None}
    assert visit(client, case, entry_id="v1", visited_on="2026-11-05", office="dentist").status_code == 201
    assert visit(client, case, entry_id="v1", visited_on="2026-11-06", office="physician").status_code == 201
    assert kept(client, case) == {"dentist": "2026-11-05", "physician": "2026-11-06"}


def test_a_visit_is_corrected_and_withdrawn(client: TestClient, case: str) -> None:
    assert visit(client, case, entry_id="v1", visited_on="2026-11-05", office="dentist").status_code == 201
    moved = visit(client, case, entry_id="v1", visited_on="2026-11-09", office="dentist", revision=2)
    assert moved.status_code == 200
    assert kept(client, case)["dentist"] == "2026-11-09"
    gone = visit(client, case, entry_id="v1", visited_on="2026-11-09", office="dentist", entered_in_error=True)
    assert gone.status_code == 200
    assert kept(client, case)["dentist"] is None
    assert visit(client, case, entry_id="v1", visited_on="2026-11-05", office="dentist").status_code == 200
    assert kept(client, case)["dentist"] is None, "entered in error stays so"


def test_a_visit_of_the_future_is_refused_with_its_place(client: TestClient, case: str, clock: Clock) -> None:
    reply = visit(client, case, entry_id="v1", visited_on="2026-11-21", office="dentist")
    assert reply.status_code == 422
    assert load(reply.text)["issue"][0]["expression"] == ["visited_on"]
    clock.move(days=1)
    assert visit(client, case, entry_id="v1", visited_on="2026-11-21", office="dentist").status_code == 201


@pytest.mark.parametrize(("kind", "office"), [("dental-visit", "dentist"), ("physician-visit", "physician")])
def test_an_encounter_is_a_visit(client: TestClient, case: str, kind: str, office: str) -> None:
    reply = client.post("/fhir/Encounter", content=write(encounter(client, case, kind)), headers=FHIR)
    assert reply.status_code == 201, reply.text
    assert kept(client, case)[office] == "2026-11-05"


@pytest.mark.parametrize("status", ["planned", "cancelled", "entered-in-error", "in-progress"])
def test_an_encounter_that_did_not_take_place_is_none(client: TestClient, case: str, status: str) -> None:
    body = encounter(client, case, "dental-visit", status=status)
    assert client.post("/fhir/Encounter", content=write(body), headers=FHIR).status_code == 201
    assert kept(client, case)["dentist"] is None


def test_an_encounter_without_a_day_is_refused(client: TestClient, case: str) -> None:
    body = encounter(client, case, "dental-visit", period={"start": "2026-11"})
    reply = client.post("/fhir/Encounter", content=write(body), headers=FHIR)
    assert reply.status_code == 422
    assert "Encounter.period.start" in load(reply.text)["issue"][0]["expression"][0]
