"""The CapabilityStatement says of each type what is taken (https://hl7.org/fhir/R4/capabilitystatement.html)."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES
from tests.web.messages import post, put


@pytest.mark.parametrize("kind", TYPES)
def test_what_is_said_of_writes_is_what_happens(client: TestClient, kind: str) -> None:
    rest = load(client.get("/fhir/metadata").text)["rest"][0]
    (told,) = [r for r in rest["resource"] if r["type"] == kind]
    codes = {i["code"] for i in told["interaction"]}
    assert "patch" not in codes
    assert (client.delete(f"/fhir/{kind}/nothing").status_code != 405) == ("delete" in codes)
    assert told["conditionalDelete"] == "not-supported"
    assert client.delete(f"/fhir/{kind}?identifier=urn:x|1").status_code == 405
    minimal = {"resourceType": kind, "identifier": [{"system": "urn:x", "value": "1"}]}
    created = post(client, f"/fhir/{kind}", minimal, **{"If-None-Exist": "identifier=urn:x|1"})
    updated = put(client, f"/fhir/{kind}?identifier=urn:x|1", minimal)
    for answer, flag in ((created, "conditionalCreate"), (updated, "conditionalUpdate")):
        assert ("made by the service" not in answer.text) == told[flag]
    assert told[flag] == (kind not in MADE_BY_THE_SERVICE)
    assert told["conditionalRead"] == "full-support"


def test_update_creates_where_it_is_said(client: TestClient) -> None:
    rest = load(client.get("/fhir/metadata").text)["rest"][0]
    said = {r["type"] for r in rest["resource"] if r["updateCreate"]}
    assert said == {
        *("Patient", "Practitioner", "PractitionerRole", "Organization"),
        *("Communication", "Composition", "DocumentReference"),
    }
    office = {"resourceType": "Organization", "id": "mine", "active": True, "name": "Invented office"}
    assert put(client, "/fhir/Organization/mine", office).status_code == 201
    assert "PATCH" in rest["documentation"]
