"""Seven organisations against a service in a process of its own: no claim in a message or entry makes anybody a party.

Two laboratories, two practices, three dental offices, each with a token got by its own key; the operator registers them at
the command line. Every door is tried: plain, FHIR, transaction, conditional reference, command line.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.fhir.build import sid
from service.fhir.json_text import write
from tests.access.clients import TestedClient, ec_key, public_set
from tests.conftest import Service
from tests.web.messages import example

ROOT = Path(__file__).parents[2]
NUMBER, NATIONAL = sid("organization"), "https://registry.example/number"
OFFICES = {
    "lab-a": "sleep-lab",
    "lab-b": "sleep-lab",
    "practice-a": "physician",
    "practice-b": "physician",
    "dental-a": "dental-office",
    "dental-b": "dental-office",
    "dental-c": "dental-office",
}
SCOPES = ("system/*.cruds",)


@dataclass
class Outside:
    """The service and its clients, by the numbers of their organisations."""

    service: Service
    folder: Path
    tokens: dict[str, str] = field(default_factory=dict)
    references: dict[str, str] = field(default_factory=dict)
    sent: int = 0

    def ask(self, name: str, method: str, path: str, body: Any = None, **headers: str) -> httpx.Response:
        asked = {"Authorization": f"Bearer {self.tokens[name]}", "Content-Type": "application/json", **headers}
        content = write(body) if body is not None else None
        return httpx.request(method, f"{self.service.address}{path}", content=content, headers=asked, timeout=60)

    def referral(self, dentist: str, practice: str = "practice-a", **changes: Any) -> dict[str, Any]:
        self.sent += 1
        body = example("sleep-lab/referral")
        body["laboratory"] = {"id": "lab-a", "name": "Laboratory A"}
        body["dental_office"] = {"id": dentist, "name": "As the sender calls it"}
        body["physician"] |= {"id": f"dr-{self.sent}", "practice": {"id": practice, "name": "Practice"}}
        body["patient"]["id"] = f"P-{self.sent}"
        body["referral_number"], body["baseline_test"]["test_number"] = f"R-{self.sent}", f"T-{self.sent}"
        return body | changes

    def sees(self, name: str, case: str) -> bool:
        return self.ask(name, "GET", f"/cases/{case}").status_code == 200


@pytest.fixture
def outside(database_url: str, start_service: Callable[..., Service], tmp_path: Path) -> Outside:
    on = {"AIRWAY_RELAY_ACCESS": "on", "AIRWAY_RELAY_KEY_FILE": f"{tmp_path}/keys.json"}
    made = Outside(start_service(database_url, **on), tmp_path)
    for number, office in OFFICES.items():
        made.references[number] = made.service.operator(
            "organisation", "add", "--name", f"Office {number}", "--number", number
        )
        key = ec_key()
        (tmp_path / "public.json").write_bytes(public_set(key))
        usual = ("--organisation-id", number, "--scope", SCOPES[0], "--jwks", f"{tmp_path}/public.json")
        client = made.service.operator("client", "add", "--name", number, "--office", office, *usual)
        asking = TestedClient(client, key, time.time(), made.service.address, SCOPES)
        answer = httpx.post(f"{made.service.address}/token", data=asking.form())
        made.tokens[number] = answer.raise_for_status().json()["access_token"]
    return made


@pytest.mark.sampled
def test_nobody_becomes_a_party_by_what_it_writes(outside: Outside) -> None:
    _by_a_second_number(outside)
    _by_an_entry_under_the_number(outside)
    _by_a_practitioner_before_the_other(outside)
    _by_the_command_line_afterwards(outside)
    _by_a_number_bound_for_another_sender(outside)


def _by_a_second_number(outside: Outside) -> None:
    own = outside.references["dental-b"]
    held = outside.ask("dental-b", "GET", f"/fhir/{own}").json()
    more = {**held, "identifier": [*held["identifier"], {"system": NUMBER, "value": "dental-free"}]}
    etag = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
    assert outside.ask("dental-b", "PUT", f"/fhir/{own}", more, **etag).status_code == 422
    entry = {"resource": more, "request": {"method": "PUT", "url": own, "ifMatch": etag["If-Match"]}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    assert outside.ask("dental-b", "POST", "/fhir", bundle).status_code == 422
    for name in ("dental-c", "lab-b", "practice-b"):
        assert outside.ask(name, "PUT", f"/fhir/{own}", more, **etag).status_code in (403, 422)
    answer = outside.ask("lab-a", "POST", "/intake/referrals", outside.referral("dental-free"))
    assert answer.status_code == 201 and answer.json()["problems"], answer.text
    case = answer.json()["case_number"]
    assert [name for name in OFFICES if outside.sees(name, case)] == ["lab-a", "practice-a"]
    accepted = {"state": "accepted", "on": "2026-11-01"}
    assert outside.ask("dental-b", "POST", f"/intake/cases/{case}/referral-state", accepted).status_code == 404


def _by_an_entry_under_the_number(outside: Outside) -> None:
    entry = {
        "resourceType": "Organization",
        "identifier": [{"system": NUMBER, "value": "dental-new"}, {"system": NATIONAL, "value": "77"}],
        "active": True,
        "name": "Office dental-c",
    }
    made = outside.ask("dental-b", "POST", "/fhir/Organization", entry)
    assert made.status_code == 201, made.text
    taken = f"Organization/{made.json()['id']}"
    for query in ("identifier=dental-new", f"identifier={NATIONAL}|77", "name=Office%20dental-c"):
        found = outside.ask("lab-a", "GET", f"/fhir/Organization?{query}").json()
        assert taken not in [f"Organization/{e['resource']['id']}" for e in found.get("entry", [])]
    case = outside.ask("lab-a", "POST", "/intake/referrals", outside.referral("dental-new")).json()["case_number"]
    assert not outside.sees("dental-b", case)
    order = {"performer": [{"reference": taken}]}
    held = outside.ask("lab-a", "GET", f"/cases/{case}").json()["resources"]["referral"]
    request = outside.ask("lab-a", "GET", f"/fhir/{held}").json()
    etag = {"If-Match": f'W/"{request["meta"]["versionId"]}"'}
    for performer in (order["performer"], [{"reference": f"Organization?identifier={NATIONAL}|77"}]):
        changed = {**request, "performer": performer}
        entry = {"resource": changed, "request": {"method": "PUT", "url": held, "ifMatch": etag["If-Match"]}}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        answer = outside.ask("lab-a", "POST", "/fhir", bundle)
        assert answer.status_code in (404, 412, 422), answer.text
    assert not outside.sees("dental-b", case)
    told = outside.service.operator("organisation", "add", "--name", "New office", "--number", "dental-new")
    assert told != taken and not outside.sees("dental-b", case)


def _by_a_practitioner_before_the_other(outside: Outside) -> None:
    """A practice names the physicians to come under the other's numbers, and a role that says they work for it."""
    system = sid("practitioner", "practice-a")
    for number in range(outside.sent + 1, outside.sent + 4):
        body = {
            "resourceType": "Practitioner",
            "identifier": [{"system": system, "value": f"dr-{number}"}],
            "name": [{"family": "Invented"}],
        }
        made = outside.ask("practice-b", "POST", "/fhir/Practitioner", body)
        assert made.status_code == 201, made.text
        role = {
            "resourceType": "PractitionerRole",
            "practitioner": {"reference": f"Practitioner/{made.json()['id']}"},
            "organization": {"reference": outside.references["practice-b"]},
        }
        assert outside.ask("practice-b", "POST", "/fhir/PractitionerRole", role).status_code == 201
    case = outside.ask("lab-a", "POST", "/intake/referrals", outside.referral("dental-a")).json()["case_number"]
    assert [name for name in OFFICES if outside.sees(name, case)] == ["lab-a", "practice-a", "dental-a"]
    for claim in ("lab-b", "practice-b", "dental-b", "dental-c"):
        assert outside.ask(claim, "POST", "/intake/referrals", outside.referral("dental-a")).status_code in (201, 403)
        assert not outside.sees(claim, case)


def _by_the_command_line_afterwards(outside: Outside) -> None:
    """An office that wrote the number before the operator registers it gets neither the name nor its cases."""
    entry = {
        "resourceType": "Organization",
        "identifier": [{"system": NUMBER, "value": "dental-late"}],
        "active": True,
        "name": "Taken",
    }
    assert outside.ask("dental-b", "POST", "/fhir/Organization", entry).status_code == 201
    case = outside.ask("lab-a", "POST", "/intake/referrals", outside.referral("dental-late")).json()["case_number"]
    (outside.folder / "public.json").write_bytes(public_set(key := ec_key()))
    usual = ("--organisation-id", "dental-late", "--organisation-name", "Late", "--scope", SCOPES[0])
    client = outside.service.operator(
        "client",
        "add",
        "--name",
        "late",
        "--office",
        "dental-office",
        *usual,
        "--jwks",
        f"{outside.folder}/public.json",
    )
    asking = TestedClient(client, key, time.time(), outside.service.address, SCOPES)
    answer = httpx.post(f"{outside.service.address}/token", data=asking.form())
    outside.tokens["late"] = answer.raise_for_status().json()["access_token"]
    assert outside.sees("late", case) and not outside.sees("dental-b", case)


def _by_a_number_bound_for_another_sender(outside: Outside) -> None:
    bound = ("organisation", "bind", outside.references["dental-c"], "--number", "17")
    outside.service.operator(*bound, "--sender", outside.references["lab-a"])
    case = outside.ask("lab-a", "POST", "/intake/referrals", outside.referral("17")).json()["case_number"]
    assert outside.sees("dental-c", case)
    other = outside.referral("17", "practice-b", laboratory={"id": "lab-b", "name": "B"})
    answer = outside.ask("lab-b", "POST", "/intake/referrals", other)
    assert answer.status_code == 201 and not outside.sees("dental-c", answer.json()["case_number"])
