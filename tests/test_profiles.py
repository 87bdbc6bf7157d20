"""The published definitions agree with the code and with each other.

Write the code system anew with `AIRWAY_RELAY_WRITE_TERMS=1 python -m pytest tests/test_profiles.py`, the profiles,
value sets and their page with `AIRWAY_RELAY_WRITE_PROFILES=1`.
"""

from __future__ import annotations

import importlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.fhir.check_in import LINK_IDS, QUESTIONNAIRE
from service.fhir.codes import BASE, LOCAL, LOINC, PUBLISHED, SNOMED, all_local, is_local
from service.fhir.conformance import base
from service.fhir.engine import THRESHOLDS
from service.fhir.json_text import load, write_pretty
from service.fhir.profile_index import profile_of
from service.fhir.subscription import EMERGENCY_TOPIC, FILTERS, TOPIC, TOPIC_VERSION
from service.fhir.validate import TYPES
from service.rules.thresholds import Thresholds
from tests.reference.definitions import PROFILES, published
from tests.reference.definitions.page import page

FOLDER = Path(__file__).parent.parent / "profiles"
FILES = sorted(FOLDER.glob("*.json"))
STRUCTURES = [f for f in FILES if f.name.startswith("StructureDefinition-")]
TOPIC_FILES = {FOLDER / "Basic-whose-move.json": TOPIC, FOLDER / "Basic-emergency-access.json": EMERGENCY_TOPIC}
"""R4 has no SubscriptionTopic; a topic is published as Basic with the elements of R5 as extensions."""
VALUE_SETS = [f for f in FILES if f.name.startswith("ValueSet-")]
WRITE = bool(os.environ.get("AIRWAY_RELAY_WRITE_PROFILES"))

KNOWN_FEATURES = {
    *("id", "path", "sliceName", "slicing", "short", "definition", "min", "max", "type", "constraint"),
    *("mustSupport", "binding"),
}
"""What a compiler of these profiles must know of an ElementDefinition, beside fixed[x] and pattern[x]."""


def _walk(value: Any) -> Iterator[dict[str, Any]]:
    """Every object inside a JSON value."""
    if isinstance(value, dict):
        yield value
        for held in value.values():
            yield from _walk(held)
    elif isinstance(value, list):
        for held in value:
            yield from _walk(held)


def _elements(file: Path) -> list[dict[str, Any]]:
    return load(file.read_text())["differential"]["element"]


def test_the_code_system_lists_every_local_code() -> None:
    file = FOLDER / "CodeSystem-airway-relay-terms.json"
    held = {
        "resourceType": "CodeSystem",
        "id": "airway-relay-terms",
        "url": LOCAL,
        "version": "1.0.0",
        "name": "AirwayRelayTerms",
        "title": "Terms of oral appliance therapy used by Airway Relay",
        "status": "active",
        "experimental": False,
        "description": "Codes for facts and decisions for which no published code was found.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(all_local()),
        "concept": [{"code": c.code, "display": c.display} for c in all_local()],
    }
    if os.environ.get("AIRWAY_RELAY_WRITE_TERMS"):
        file.write_text(write_pretty(held) + "\n")
    assert load(file.read_text()) == held


def test_the_code_system_of_thresholds_lists_every_threshold() -> None:
    file = FOLDER / "CodeSystem-airway-relay-thresholds.json"
    held = {
        "resourceType": "CodeSystem",
        "id": "airway-relay-thresholds",
        "url": THRESHOLDS,
        "version": "1.0.0",
        "name": "AirwayRelayThresholds",
        "title": "Thresholds of the rules of Airway Relay",
        "status": "active",
        "experimental": False,
        "description": "What the rules compare with. The Device of the rules tells the values in force at a site.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(Thresholds().all()),
        "concept": [{"code": t.name, "display": t.meaning} for t in Thresholds().all()],
    }
    if os.environ.get("AIRWAY_RELAY_WRITE_TERMS"):
        file.write_text(write_pretty(held) + "\n")
    assert load(file.read_text()) == held


def test_the_questionnaire_asks_what_a_check_in_can_answer_in_the_same_order() -> None:
    held = load((FOLDER / "Questionnaire-check-in.json").read_text())
    assert held["url"] == QUESTIONNAIRE
    assert [item["linkId"] for item in held["item"]] == list(LINK_IDS.values())


@pytest.mark.parametrize(("file", "topic"), TOPIC_FILES.items(), ids=lambda v: getattr(v, "name", ""))
def test_a_topic_has_the_filters_and_the_name_that_subscriptions_may_give(file: Path, topic: str) -> None:
    held = load(file.read_text())["extension"]
    told = {e["url"].rpartition(".")[2]: list(e.values())[1] for e in held if "extension" not in e}
    assert (told["url"], told["version"]) == (topic, TOPIC_VERSION)
    filters = [e["extension"][1]["valueString"] for e in held if e["url"].endswith(".canFilterBy")]
    assert filters == (list(FILTERS) if topic == TOPIC else [])


def test_profiles_and_value_sets_are_fresh() -> None:
    made = published()
    if WRITE:
        for file in (*STRUCTURES, *VALUE_SETS):
            file.unlink()
        for name, resource in made.items():
            (FOLDER / name).write_text(write_pretty(resource) + "\n")
    files = [f for kind in ("StructureDefinition", "ValueSet") for f in FOLDER.glob(f"{kind}-*.json")]
    assert {f.name: load(f.read_text()) for f in files} == made


def test_the_page_is_fresh() -> None:
    if WRITE:
        (FOLDER / "README.md").write_text(page())
    assert (FOLDER / "README.md").read_text() == page(), "write the page anew (see the top of this file)"


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.name)
def test_each_definition_is_well_formed(file: Path) -> None:
    held = load(file.read_text())
    kind = held["resourceType"]
    model = getattr(importlib.import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)
    model.model_validate(held)
    assert file in TOPIC_FILES or held["url"].startswith(BASE)
    assert file.name == f"{kind}-{held['id']}.json"


@pytest.mark.parametrize("file", [*STRUCTURES, *VALUE_SETS], ids=lambda f: f.name)
def test_names_urls_and_ids_are_consistent(file: Path) -> None:
    held = load(file.read_text())
    assert held["url"] == f"{BASE}/{held['resourceType']}/{held['id']}"
    assert re.fullmatch(r"[a-z][a-z0-9-]{1,62}", held["id"])
    assert re.fullmatch(r"AirwayRelay[A-Z][A-Za-z0-9]+", held["name"])


def test_no_two_definitions_share_a_name_or_url() -> None:
    held = [load(f.read_text()) for f in FILES if f not in TOPIC_FILES]
    for key in ("url", "name"):
        values = [h[key] for h in held]
        assert len(values) == len(set(values)), key


@pytest.mark.parametrize("file", STRUCTURES, ids=lambda f: f.name)
def test_a_profile_is_a_difference_from_a_base_type_of_the_service(file: Path) -> None:
    held = load(file.read_text())
    assert held["type"] in TYPES
    assert held["baseDefinition"] == f"http://hl7.org/fhir/StructureDefinition/{held['type']}"
    assert (held["derivation"], held["fhirVersion"], held["kind"]) == ("constraint", "4.0.1", "resource")
    assert "snapshot" not in held
    ids = [e["id"] for e in held["differential"]["element"]]
    assert len(ids) == len(set(ids))
    assert all(re.sub(r":[^.]+", "", e["id"]) == e["path"] for e in held["differential"]["element"])


@pytest.mark.parametrize("file", STRUCTURES, ids=lambda f: f.name)
def test_elements_stand_in_the_order_of_the_base_type(file: Path) -> None:
    """Out of order, the independent validator passes over the elements between without a word."""
    shape = base.shape_of(load(file.read_text())["type"])
    assert shape
    order = list(dict.fromkeys(element.stem for element in shape.elements.values()))
    names = [e["path"].split(".")[1].removesuffix("[x]") for e in _elements(file) if "." in e["path"]]
    places = [order.index(name) for name in names if name in order]
    assert places == sorted(places)
    assert len(places) == len(names)


@pytest.mark.parametrize("file", STRUCTURES, ids=lambda f: f.name)
def test_only_features_that_a_small_compiler_knows_are_used(file: Path) -> None:
    ids = {e["id"] for e in _elements(file)}
    keys: list[str] = []
    for element in _elements(file):
        other = {k for k in element if not k.startswith(("fixed", "pattern"))} - KNOWN_FEATURES
        assert other == set(), element["id"]
        for kind in element.get("type", []):
            assert set(kind) <= {"code", "targetProfile"}
        if "slicing" in element:
            assert element["slicing"]["ordered"] is False
            assert [d["type"] for d in element["slicing"]["discriminator"]] == ["pattern"]
        if "binding" in element:
            assert element["binding"]["strength"] == "required"
        if "sliceName" in element:
            owner = element["id"].removesuffix(f":{element['sliceName']}")
            path = next(e for e in _elements(file) if e["id"] == owner)["slicing"]["discriminator"][0]["path"]
            assert f"{element['id']}.{path}" in ids, "a slice says by what it is told apart"
        keys += [c["key"] for c in element.get("constraint", [])]
        assert all(c["severity"] == "error" for c in element.get("constraint", []))
    assert len(keys) == len(set(keys))


def test_every_binding_leads_to_a_value_set_of_ours_and_each_is_used() -> None:
    bound = {e["binding"]["valueSet"] for f in STRUCTURES for e in _elements(f) if "binding" in e}
    assert bound == {load(f.read_text())["url"] for f in VALUE_SETS}


@pytest.mark.parametrize("file", [*STRUCTURES, *VALUE_SETS], ids=lambda f: f.name)
def test_every_code_used_is_one_the_service_defines(file: Path) -> None:
    held = load(file.read_text())
    codings = [o for o in _walk(held) if isinstance(o.get("system"), str)]
    pairs = [(o["system"], o["code"]) for o in codings if "code" in o]
    pairs += [(o["system"], c["code"]) for o in codings for c in o.get("concept", [])]
    for text in (c["expression"] for o in _walk(held) for c in o.get("constraint", [])):
        pairs += [(LOCAL, code) for code in re.findall(rf"system = '{LOCAL}' and code = '([^']+)'", text)]
    published_codes = {(c.system, c.code) for c in PUBLISHED}
    for system, code in pairs:
        assert system != LOCAL or is_local(code), code
        assert system not in (LOINC, SNOMED) or (system, code) in published_codes, code


@pytest.mark.parametrize(
    "resource",
    [
        {},
        {"resourceType": ["Patient"]},
        {"resourceType": "Observation", "code": 5},
        {"resourceType": "Observation", "code": {"coding": ["wear"]}},
        {"resourceType": "DiagnosticReport", "category": {"coding": []}},
        {"resourceType": "ServiceRequest", "requester": []},
        {"resourceType": "Provenance", "agent": [5]},
        {"resourceType": "Device", "type": None},
        {"resourceType": "Task", "code": []},
        {"resourceType": "QuestionnaireResponse", "questionnaire": 5},
    ],
    ids=str,
)
def test_a_badly_formed_resource_belongs_to_no_profile(resource: dict[str, Any]) -> None:
    assert profile_of(resource) is None


def test_every_profile_has_a_row_on_the_page() -> None:
    text = (FOLDER / "README.md").read_text()
    assert [p.id for p in PROFILES if f"\n## {p.id}\n" not in text] == []
