"""Bodies made to cost much: each is refused by a limit that the integrator's manual states. What each costs is printed (`pytest -s`)."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.servers import Service, free_port

PATIENT = '{"resourceType":"Patient",'
VALUES, KEYS, ITEMS = "more than 50000 values", "may hold 200 keys", "may hold 500 items"
MARKS, DEEP, NUMBER = "more than 50000 tags and entities", "deeper than 40 levels", "is too long or too large"


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


def _patient(**elements: Any) -> str:
    return _json({"resourceType": "Patient", **elements})


def _narrative(inside: str) -> str:
    return _patient(text={"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{inside}</div>'})


def _nested(levels: int) -> dict[str, Any]:
    extension: dict[str, Any] = {"url": "http://a.example/x", "valueString": "x"}
    for _ in range(levels):
        extension = {"url": "http://a.example/x", "extension": [extension]}
    return extension


_IDENTIFIER = {"system": "http://a.example/numbers", "value": "1"}
_EXTENSION = {"url": "http://a.example/x", "valueString": "x"}
_BUNDLE = {"resourceType": "Bundle", "type": "batch"}
_ENTRY = {"request": {"method": "GET", "url": "Patient"}}
_UNKNOWN = {f"k{n}": 1 for n in range(150)}
BODIES = [
    ("300,000 unknown keys", _patient(**{f"k{n}": 1 for n in range(300_000)}), 413, VALUES),
    ("201 unknown keys", _patient(**{f"k{n}": 1 for n in range(200)}), 413, KEYS),
    ("20,000 identifiers", _patient(identifier=[_IDENTIFIER] * 20_000), 413, VALUES),
    ("501 identifiers", _patient(identifier=[_IDENTIFIER] * 501), 413, ITEMS),
    ("deep objects", '{"a":' * 20_000 + "1" + "}" * 20_000, 400, DEEP),
    ("deep lists, 5 MB", "[" * 2_500_000 + "]" * 2_500_000, 413, VALUES),
    ("lists of nothing, 5 MB", f'{PATIENT}"x":[{"[]," * 1_660_000}[]]}}', 413, VALUES),
    ("objects of nothing, 5 MB", f'{PATIENT}"x":[{"{}," * 1_660_000}{{}}]}}', 413, VALUES),
    ("whole numbers, 5 MB", f'{PATIENT}"x":[{"1," * 2_480_000}1]}}', 413, VALUES),
    ("tags, 5 MB", _narrative("<p>a</p>" * 600_000), 413, MARKS),
    ("tags by escapes, 5 MB", _narrative("<b>a</b>" * 240_000).replace("<", "\\u003c"), 413, MARKS),
    ("entities, 5 MB", _narrative("&amp;" * 950_000), 413, MARKS),
    ("extensions, 5 MB", _patient(extension=[_EXTENSION] * 90_000), 413, VALUES),
    ("extensions in extensions", _patient(extension=[_nested(15)] * 500), 422, ""),
    ("contained resources, 5 MB", _patient(contained=[{"resourceType": "Patient", "id": "a"}] * 125_000), 413, VALUES),
    (
        "500 contained resources",
        _patient(contained=[{"resourceType": "Patient", "id": "a"}] * 500),
        422,
        "more problems.",
    ),
    ("a number of a million digits", f'{PATIENT}"x":{"9" * 1_000_000}}}', 400, NUMBER),
    ("a fraction of four million digits", f'{PATIENT}"x":1.{"9" * 4_000_000}}}', 400, NUMBER),
    (
        "the same key 800,000 times",
        f"{PATIENT}{chr(34)}a{chr(34)}:1{(chr(44) + chr(34) + 'a' + chr(34) + ':1') * 800_000}}}",
        413,
        VALUES,
    ),
    ("a key of 5 MB", _patient(**{"k" * 4_900_000: 1}), 413, "200 characters long"),
    ("one text of 5 MB as a date", _patient(birthDate="1" * 4_900_000), 422, ""),
    ("an open text of backslashes", '{"a":"' + "\\" * 4_900_001, 400, "The body is not JSON"),
    ("unknown keys up to every limit", _patient(contact=[_UNKNOWN] * 300), 422, "more problems."),
    ("wrong items up to every limit", _patient(name=[{"given": [1] * 480}] * 100), 422, "more problems."),
    ("5,000 tiny entries", _json({**_BUNDLE, "entry": [_ENTRY] * 5_000}), 413, "A Bundle may hold 500 entries."),
]


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    running = Service(f"sqlite:///{tmp_path_factory.mktemp('hostile')}/relay.db", free_port())
    running.start()
    yield running
    running.stop()


def _processor_s(service: Service) -> float:
    """Processor time of the service so far, in seconds, by Linux's own count."""
    assert service.process
    stat = Path(f"/proc/{service.process.pid}/stat")
    if not stat.exists():
        return float("nan")
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.parametrize(("name", "body", "status", "limit"), BODIES, ids=[body[0] for body in BODIES])
def test_a_hostile_body_is_refused_by_a_limit(service: Service, name: str, body: str, status: int, limit: str) -> None:
    address = "/fhir" if '"Bundle"' in body[:40] else "/fhir/Patient"
    with service.client() as client:
        assert client.get("/livez").status_code == 200
        before_s = _processor_s(service)
        answer = client.post(address, content=body.encode(), headers={"Content-Type": "application/fhir+json"})
        print(f"{name}: {len(body) / 1e6:.1f} MB, {answer.status_code}, {_processor_s(service) - before_s:.2f} s")
    assert answer.status_code == status
    issues = answer.json()["issue"]
    assert len(issues) <= 101
    assert any(limit in issue["diagnostics"] for issue in issues)
    assert len(answer.content) < 200_000


def test_validation_lists_a_hundred_problems_and_counts_the_others(service: Service) -> None:
    with service.client() as client:  # besides the names, three elements that the profile asks for are missing
        answer = _validated(client, _patient(name=[{"given": [1] * 150}]))
    assert answer.status_code == 200
    issues = answer.json()["issue"]
    assert len(issues) == 101
    assert issues[-1]["diagnostics"].startswith("And 5")
    assert issues[-1]["diagnostics"].endswith(" more problems.")
    assert {issue["severity"] for issue in issues} == {"error"}


def test_of_many_unknown_keys_the_first_are_named_and_the_others_counted(service: Service) -> None:
    with service.client() as client:
        issues = _validated(client, _patient(**{f"k{n}": 1 for n in range(150)})).json()["issue"]
    told = [issue["diagnostics"] for issue in issues]
    assert sum(sentence.startswith("There is no element «k") for sentence in told) == 20
    assert "There are 130 more elements that do not exist here." in told


def _validated(client: httpx.Client, body: str) -> httpx.Response:
    content, headers = body.encode(), {"Content-Type": "application/fhir+json"}
    return client.post("/fhir/Patient/$validate", content=content, headers=headers)


def test_a_long_text_and_500_identifiers_are_taken(service: Service) -> None:
    """A report as base64 is one long text, and nobody is kept from many numbers."""
    numbers = [{**_IDENTIFIER, "value": str(n)} for n in range(500)]
    with service.client() as client:
        for body in (_patient(name=[{"text": "x" * 4_000_000}]), _patient(identifier=numbers)):
            answer = _validated(client, body)
            assert [i for i in answer.json()["issue"] if i["severity"] == "error" and "500" in i["diagnostics"]] == []
            assert answer.status_code == 200
