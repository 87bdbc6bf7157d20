"""The shape of facts changes with every field of a fact and of what is worked out of them, and with nothing else."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import make_dataclass

import pytest

from service.fhir import facts_shape as module
from service.fhir.facts_shape import facts_shape
from service.rules.facts import CaseFacts
from service.rules.kinds import RedFlagKind


@pytest.fixture(autouse=True)
def _anew() -> Iterator[None]:
    facts_shape.cache_clear()
    yield
    facts_shape.cache_clear()


def test_it_is_the_same_in_every_process() -> None:
    asked = "from service.fhir.facts_shape import facts_shape; print(facts_shape())"
    told = {
        subprocess.run(
            [sys.executable, "-c", asked], env={"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True
        ).stdout.strip()
        for seed in ("1", "2")
    }
    assert told == {facts_shape()}
    assert len(facts_shape()) <= 32


def test_it_holds_the_facts_their_parts_and_their_kinds() -> None:
    said: dict[str, list[str]] = {}
    module._tell(CaseFacts, said)
    assert "worn: Worn" in said["SleepTest"]
    assert RedFlagKind.DROWSY_DRIVING in said["RedFlagKind"]
    assert {"Referral", "Setting", "CheckIn", "Moment", "Source"} <= set(said)


def test_it_changes_with_a_field_and_with_the_number(monkeypatch: pytest.MonkeyPatch) -> None:
    shapes = {facts_shape()}
    monkeypatch.setattr(module, "READING", module.READING + 1)
    facts_shape.cache_clear()
    shapes.add(facts_shape())
    monkeypatch.setattr(module, "CaseView", make_dataclass("CaseView", [("other", int)]))
    facts_shape.cache_clear()
    shapes.add(facts_shape())
    assert len(shapes) == 3
