"""The modifier contract against R4's own list of modifier elements, and its page.

Write the page anew with `AIRWAY_RELAY_WRITE_PROFILES=1 python -m pytest tests/fhir/test_modifiers.py`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.fhir.conformance import base
from service.fhir.modifier_rows import MADE_HERE, ROWS, Row
from service.fhir.modifiers import UNKNOWN, ModifierEffect, bundle_issues, modifier_issues, standing_of
from service.fhir.read_facts import is_withdrawn
from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES
from tests.fhir.modifiers_page import page

PAGE = Path(__file__).parents[2] / "profiles/modifiers.md"
ACCEPTED = (*TYPES, "Subscription")
BY_PATH: dict[str, list[Row]] = {}
for _row in ROWS:
    BY_PATH.setdefault(_row.path, []).append(_row)
WITH_FACTS = ("Observation", "DiagnosticReport", "QuestionnaireResponse", "DeviceUseStatement", "Device")


def _modifiers() -> Iterator[tuple[str, dict[str, Any]]]:
    """Path and definition of every modifier element in the accepted types and the data types, as R4 has them."""
    types = base.definitions()["types"]
    data = [name for name, held in types.items() if held["kind"] == "complex-type" and not held.get("profile")]
    for name in (*ACCEPTED, "Bundle", *data):
        for owner, node in types[name]["nodes"].items():
            for element, held in node["elements"].items():
                if held.get("modifier") and held["max"] != "0":
                    yield f"{owner}.{element}", held


def test_every_modifier_of_r4_has_a_row_and_no_row_is_left_over() -> None:
    listed = {path for path, _ in _modifiers()}
    assert len(listed) > 100, "R4's definitions tell which elements are modifiers"
    own = {path for path in listed if path.rpartition(".")[2] not in UNKNOWN}
    assert own - BY_PATH.keys() == set()
    assert BY_PATH.keys() - own == {"Resource.implicitRules", "Element.modifierExtension"}


@pytest.mark.parametrize(
    ("path", "held"), list(_modifiers()), ids=lambda value: value if isinstance(value, str) else ""
)
def test_every_code_of_r4_has_an_effect(path: str, held: dict[str, Any]) -> None:
    if path.rpartition(".")[2] in UNKNOWN:
        return
    codes = (
        {code for codes in (base.value_set(held["codes"]) or {}).values() for code in codes}
        if held.get("codes")
        else set()
    )
    for row in BY_PATH[path]:
        assert set(row.effects.values()) <= set(ModifierEffect.__members__), path
        assert "*" in row.effects or codes <= row.effects.keys(), codes - row.effects.keys()
        assert not codes or set(row.effects) - {"*"} <= codes, set(row.effects) - codes
    assert not BY_PATH[path][-1].of, "the last row is for all others"


def test_unknown_modifiers_are_found_wherever_r4_lets_them_stand() -> None:
    """One in each part of each type, at the depth at which R4 defines it."""
    places = [
        path for path, _ in _modifiers() if path.endswith(".modifierExtension") and path.split(".")[0] in ACCEPTED
    ]
    assert len(places) > 70
    for path in places:
        kind, *steps = path.split(".")
        value: Any = [{"url": "https://a.example/x", "valueBoolean": True}]
        for step in reversed(steps):
            value = {step: value}
        assert [i.expression for i in modifier_issues({"resourceType": kind, **value}, kind)], path


@pytest.mark.parametrize("kind", ACCEPTED)
def test_implicit_rules_are_refused(kind: str) -> None:
    found = [i.expression for i in modifier_issues({"resourceType": kind, "implicitRules": "urn:x"}, kind)]
    inside = {"resourceType": kind, "contained": [{"resourceType": "Patient", "implicitRules": "urn:x"}]}
    assert found == [f"{kind}.implicitRules"]
    assert [i.expression for i in modifier_issues(inside, kind)] == [f"{kind}.contained[0].implicitRules"]


def test_unknown_modifiers_of_a_bundle() -> None:
    entry = {"modifierExtension": [{}], "request": {"modifierExtension": [{}]}, "resource": {"implicitRules": "x"}}
    found = [i.expression for i in bundle_issues({"resourceType": "Bundle", "implicitRules": "x", "entry": [entry]})]
    assert sorted(found) == [
        "Bundle.entry[0].modifierExtension",
        "Bundle.entry[0].request.modifierExtension",
        "Bundle.implicitRules",
    ]


def test_what_withdraws_holds_no_fact() -> None:
    """The table and what the reading takes as withdrawn say the same of the types that tell facts."""
    for row in ROWS:
        kind, _, element = row.path.partition(".")
        if kind in WITH_FACTS and element == "status" and not row.of:
            for value, effect in row.effects.items():
                told = {"resourceType": kind, "status": value}
                assert value == "*" or is_withdrawn(told) == (effect == "WITHDRAWS"), (row.path, value)


def test_what_the_service_makes_is_not_held_against_its_own_rows() -> None:
    assert {row.path.split(".")[0] for row in MADE_HERE} <= MADE_BY_THE_SERVICE
    assert modifier_issues({"resourceType": "CarePlan", "status": "active", "intent": "plan"}, "CarePlan") == []


def test_the_gravest_effect_counts() -> None:
    patient = {"resourceType": "Patient", "active": True, "deceasedBoolean": False, "link": [{"type": "seealso"}]}
    assert standing_of(patient).effect is ModifierEffect.COUNTS
    assert (
        standing_of({**patient, "link": [{"type": "seealso"}, {"type": "replaced-by"}]}).effect is ModifierEffect.CLOSES
    )
    assert standing_of({**patient, "active": False, "implicitRules": "x"}).effect is ModifierEffect.REFUSED


def test_the_page_is_written_from_the_table() -> None:
    if os.environ.get("AIRWAY_RELAY_WRITE_PROFILES"):
        PAGE.write_text(page())
    assert PAGE.read_text() == page(), "write the page anew (see the top of this file)"
