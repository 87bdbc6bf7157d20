"""Many writers of one resource at once: one row for one identifier, no lost update, no version left out.

50 clients of two service processes create one thing; 16 writers update one resource for some seconds. Set
AIRWAY_RELAY_LONG=1 for 30 seconds.
"""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import httpx
import pytest

from service.fhir.json_text import load, write
from tests.conftest import Service
from tests.store.whole import check_whole, rows_of

_CREATORS = 50
_WRITERS = 16
_SECONDS = 30 if os.environ.get("AIRWAY_RELAY_LONG") else 3
_SYSTEM = "https://x.example/offices"
_JSON = {"Content-Type": "application/fhir+json"}


@pytest.fixture
def services(database_url: str, start_service: Callable[..., Service]) -> Iterator[list[httpx.Client]]:
    """Clients of two processes that share one database."""
    with ThreadPoolExecutor(2) as pool:
        started = list(pool.map(start_service, [database_url] * 2))
    with ExitStack() as stack:
        yield [stack.enter_context(started[i % 2].client(timeout=120)) for i in range(_CREATORS)]


def _at_once(clients: list[httpx.Client], work: Callable[[httpx.Client, int], httpx.Response]) -> list[httpx.Response]:
    barrier = threading.Barrier(len(clients))

    def one(index: int) -> httpx.Response:
        barrier.wait()
        return work(clients[index], index)

    with ThreadPoolExecutor(len(clients)) as pool:
        return list(pool.map(one, range(len(clients))))


def _office(number: str, name: str) -> dict[str, Any]:
    return {
        "resourceType": "Organization",
        "identifier": [{"system": _SYSTEM, "value": number}],
        "active": True,
        "name": name,
    }


def _offices(database_url: str) -> list[dict[str, Any]]:
    return [r for r in rows_of(database_url)["resource_version"] if r["type"] == "Organization"]


@pytest.mark.sampled
def test_one_identifier_created_by_fifty_at_once_is_one_resource(services: list[httpx.Client], database_url: str):
    headers = {**_JSON, "If-None-Exist": f"identifier={_SYSTEM}|7"}
    answers = _at_once(
        services,
        lambda client, i: client.post(
            "/fhir/Organization", content=write(_office("7", f"Office {i}")), headers=headers
        ),
    )
    assert Counter(a.status_code for a in answers) == {201: 1, 200: _CREATORS - 1}
    assert len({a.text for a in answers}) == 1
    assert len({a.headers["location"].split("/fhir/")[1] for a in answers}) == 1
    assert len(_offices(database_url)) == 1
    check_whole(rows_of(database_url))


@pytest.mark.long
def test_one_name_created_by_fifty_at_once_is_one_resource(services: list[httpx.Client], database_url: str):
    """A condition that no identifier settles: those who look for the same wait for one another."""
    headers = {**_JSON, "If-None-Exist": "name:exact=Office of the harbour"}
    answers = _at_once(
        services,
        lambda client, i: client.post(
            "/fhir/Organization", content=write(_office(f"n{i}", "Office of the harbour")), headers=headers
        ),
    )
    assert Counter(a.status_code for a in answers) == {201: 1, 200: _CREATORS - 1}
    assert len(_offices(database_url)) == 1
    check_whole(rows_of(database_url))


@pytest.mark.long
def test_one_identifier_created_in_fifty_transactions_is_one_resource(services: list[httpx.Client], database_url: str):
    """Each transaction also makes a person of its own, who works there, and finds the office by reference too."""

    def post(client: httpx.Client, i: int) -> httpx.Response:
        role = {
            "resourceType": "PractitionerRole",
            "identifier": [{"system": _SYSTEM, "value": f"role-{i}"}],
            "active": True,
            "organization": {"reference": "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"},
        }
        entries = [
            {
                "fullUrl": "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01",
                "resource": _office("8", f"Office {i}"),
                "request": {
                    "method": "POST",
                    "url": "Organization",
                    "ifNoneExist": f"identifier={_SYSTEM}|8",
                },
            },
            {"resource": role, "request": {"method": "POST", "url": "PractitionerRole"}},
        ]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        return client.post("/fhir", content=write(bundle), headers=_JSON)

    answers = _at_once(services, post)
    assert Counter(a.status_code for a in answers) == {200: _CREATORS}, [a.text for a in answers if a.status_code > 200]
    statuses = Counter(a.json()["entry"][0]["response"]["status"] for a in answers)
    assert statuses == {"201 Created": 1, "200 OK": _CREATORS - 1}
    (location,) = {a.json()["entry"][0]["response"]["location"] for a in answers}
    assert len(_offices(database_url)) == 1
    held = rows_of(database_url)
    roles = [load(r["body"]) for r in held["resource_version"] if r["type"] == "PractitionerRole"]
    assert len(roles) == _CREATORS
    assert {r["organization"]["reference"] for r in roles} == {location.split("/_history/")[0]}
    check_whole(held)


@pytest.mark.long
def test_conditional_updates_of_one_identifier_at_once_are_one_resource(
    services: list[httpx.Client], database_url: str
):
    address = f"/fhir/Organization?identifier={_SYSTEM}|9"
    answers = _at_once(
        services[:_WRITERS],
        lambda client, i: client.put(address, content=write(_office("9", f"Office {i}")), headers=_JSON),
    )
    assert Counter(a.status_code for a in answers) == {201: 1, 200: _WRITERS - 1}
    assert sorted(int(a.json()["meta"]["versionId"]) for a in answers) == list(range(1, _WRITERS + 1))
    assert len({a.json()["id"] for a in answers}) == 1
    check_whole(rows_of(database_url))


@pytest.mark.sampled
def test_no_update_of_sixteen_writers_is_lost(services: list[httpx.Client], database_url: str):
    """Each writer adds one to a number it has read, with If-Match; the last number is the count of its successes."""
    made = services[0].post("/fhir/Organization", content=write(_office("10", "0")), headers=_JSON).json()
    address = f"/fhir/Organization/{made['id']}"
    until = time.monotonic() + _SECONDS
    statuses: Counter[int] = Counter()
    guard = threading.Lock()

    def add(client: httpx.Client) -> None:
        while time.monotonic() < until:
            read = client.get(address)
            body = {**read.json(), "name": str(int(read.json()["name"]) + 1)}
            answer = client.put(address, content=write(body), headers={**_JSON, "If-Match": read.headers["etag"]})
            with guard:
                statuses[answer.status_code] += 1

    with ThreadPoolExecutor(_WRITERS) as pool:
        list(pool.map(add, services[:_WRITERS]))
    assert set(statuses) <= {200, 412}
    assert statuses[200] > 5
    last = services[0].get(address).json()
    assert int(last["name"]) == statuses[200]
    assert int(last["meta"]["versionId"]) == statuses[200] + 1
    rows = sorted(_offices(database_url), key=lambda r: r["version"])
    assert [r["version"] for r in rows] == list(range(1, statuses[200] + 2))
    assert [load(r["body"])["name"] for r in rows] == [str(n) for n in range(statuses[200] + 1)]
    check_whole(rows_of(database_url))
