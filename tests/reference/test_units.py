"""Every unit the service writes, publishes or compares in is valid UCUM (https://ucum.org/ucum).

Judged by the grammar of an open-source UCUM library; skipped where that is not installed.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.fhir.build import Resource
from service.fhir.codes import UCUM
from service.fhir.json_text import load
from service.rules import limits
from service.rules.limits import Limit
from service.rules.thresholds import Thresholds

PROFILES = Path(__file__).parents[2] / "profiles"
_REASON = "the UCUM library is not installed: install the dev extra"
ucum, lark = pytest.importorskip("ucumvert", reason=_REASON), pytest.importorskip("lark", reason=_REASON)


def _written(value: Any) -> Iterator[str]:
    """The code of every quantity inside."""
    if isinstance(value, dict):
        if value.get("system") == UCUM and isinstance(value.get("code"), str):
            yield value["code"]
        for held in value.values():
            yield from _written(held)
    elif isinstance(value, list):
        for held in value:
            yield from _written(held)


def _is_ucum(unit: str) -> bool:
    try:
        ucum.get_ucum_parser().parse(unit)
    except lark.LarkError:
        return False
    return True


def test_units_of_everything_emitted(resources: dict[str, Resource]) -> None:
    units = {unit for resource in resources.values() for unit in _written(resource)}
    assert {"mm", "{events}/h", "{score}", "%", "h", "d"} <= units
    assert {unit for unit in units if not _is_ucum(unit)} == set()


def test_units_of_every_published_definition() -> None:
    units = {unit for file in PROFILES.glob("*.json") for unit in _written(load(file.read_text()))}
    assert len(units) > 5
    assert {unit for unit in units if not _is_ucum(unit)} == set()


def test_units_of_thresholds_and_limits() -> None:
    units = {threshold.unit for threshold in Thresholds().all()}
    units |= {held.unit for held in vars(limits).values() if isinstance(held, Limit)}
    assert {"mm/a", "{check-ins}", "1"} <= units
    assert {unit for unit in units if not _is_ucum(unit)} == set()


@pytest.mark.parametrize("unit", ["furlong", "kgg", "{events", "events/h", "per hour", "mm//a", "", "°"])
def test_what_is_no_ucum_is_refused(unit: str) -> None:
    assert not _is_ucum(unit)
