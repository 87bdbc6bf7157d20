"""The published definitions agree with the code.

Write the code system anew with `AIRWAY_RELAY_WRITE_TERMS=1 python -m pytest tests/test_profiles.py`.
"""

from __future__ import annotations

import importlib
import os
from pathlib import Path

import pytest

from service.fhir.check_in import LINK_IDS, QUESTIONNAIRE
from service.fhir.codes import BASE, LOCAL, all_local
from service.fhir.json_text import load, write_pretty

FOLDER = Path(__file__).parent.parent / "profiles"
FILES = sorted(FOLDER.glob("*.json"))


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


def test_the_questionnaire_asks_what_a_check_in_can_answer() -> None:
    held = load((FOLDER / "Questionnaire-check-in.json").read_text())
    assert held["url"] == QUESTIONNAIRE
    assert {item["linkId"] for item in held["item"]} == set(LINK_IDS.values())


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.name)
def test_each_definition_is_well_formed(file: Path) -> None:
    held = load(file.read_text())
    kind = held["resourceType"]
    model = getattr(importlib.import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)
    model.model_validate(held)
    assert held["url"].startswith(BASE)
    assert file.name == f"{kind}-{held['id']}.json"
