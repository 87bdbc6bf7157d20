"""One run of the independent validator for every test of this folder: all that is emitted, all mutants, the controls."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import pytest

from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.profile_index import profile_of
from tests.reference import emitted, probes, reference
from tests.reference.corpus import Mutant, corpus, lines
from tests.reference.reference import Line, Verdict
from tests.short_run import is_long


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Where tests are run by several processes, this folder is run by one of them, so that the validator runs once.

    First, as the group must be there before the plugin that shares the tests out looks for it.
    """
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("reference"))
            item.add_marker(pytest.mark.timeout(_SECONDS))


T = TypeVar("T")
_SECONDS = 1200
"""Limit of each test here: the first one waits for the validator."""


@dataclass(frozen=True, slots=True)
class Checked:
    """Everything that was asked of the validator, and what it said."""

    resources: dict[str, Resource]
    mutants: dict[str, Mutant]
    verdicts: dict[str, Verdict]

    def errors_by_profile(self, kind: str) -> dict[str, str]:
        """Everything said of the mutants of one kind, by the profile they were made for."""
        said: dict[str, str] = defaultdict(str)
        for key, mutant in self.mutants.items():
            if mutant.kind == kind:
                said[mutant.profile] += "\n".join(self.verdicts[key].errors)
        return said


@pytest.fixture(scope="session")
def resources(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Resource]:
    """Everything the service emits."""
    return emitted.collect(tmp_path_factory.mktemp("emitted")).resources


@pytest.fixture(scope="session")
def mutants(resources: dict[str, Resource]) -> dict[str, Mutant]:
    """Every changed resource, by its id; in the usual run one of each kind for each profile, and all of the lines."""
    every = {mutant.id: mutant for mutant in corpus(resources.values())}
    if is_long():
        return every
    return sample(every, lambda key: (every[key].profile, every[key].kind, every[key].kind == lines.KIND and key), 1)


@pytest.fixture(scope="session")
def checked(
    resources: dict[str, Resource], mutants: dict[str, Mutant], tmp_path_factory: pytest.TempPathFactory
) -> Checked:
    """The verdicts on all of it; in the usual run on two resources of each profile from each source."""
    lacking = reference.missing_tool()
    if lacking:
        pytest.skip(f"the reference validator needs {lacking}, which is not here")
    judged = resources
    if not is_long():
        judged = sample(resources, lambda key: (profile_of(resources[key]), key.split()[0]), 2)
    asked = [Line(key, profile_of(resource), resource) for key, resource in judged.items()]
    asked += [Line(key, mutant.judged_by, mutant.resource) for key, mutant in mutants.items()]
    asked += [Line(f"probe {name}", profile_of(held), held) for name, held in probes.RESOURCES.items()]
    asked += controls(resources)
    try:
        return Checked(judged, mutants, reference.verdicts(asked, tmp_path_factory.mktemp("reference")))
    except reference.NotHere as needed:
        pytest.skip(f"the reference validator needs {needed}")


def sample(every: dict[str, T], group: Callable[[str], Hashable], most: int) -> dict[str, T]:
    """The first ones of each group of keys."""
    seen: Counter[Hashable] = Counter()
    found: dict[str, T] = {}
    for key, one in every.items():
        seen[group(key)] += 1
        if seen[group(key)] <= most:
            found[key] = one
    return found


def controls(resources: dict[str, Resource]) -> list[Line]:
    """Broken base R4, a broken invariant of ours, an unknown profile, no FHIR at all; and a right resource."""
    setting = next(r for r in resources.values() if (profile_of(r) or "").endswith("/protrusion-setting"))
    wear = next(r for r in resources.values() if (profile_of(r) or "").endswith("/wear"))
    return [
        Line("control status", None, {**setting, "status": "finished"}),
        Line("control element", None, {**setting, "settingOfTheDay": 2}),
        Line("control date", None, {**setting, "effectiveDateTime": "2026-02-30"}),
        Line("control local code", None, {**setting, "code": _unknown_code(setting)}),
        Line(
            "control invariant", profile_of(wear), {**wear, "component": [_more_nights(p) for p in wear["component"]]}
        ),
        Line("control profile", f"{BASE}/StructureDefinition/no-such-profile", setting),
        Line("control no FHIR", None, {"hello": "world"}),
        Line("control right", profile_of(setting), setting),
    ]


def _more_nights(part: Resource) -> Resource:
    worn = part["code"]["coding"][0]["code"] == "nights-worn"
    return {**part, "valueInteger": 31} if worn else part


def _unknown_code(setting: Resource) -> Resource:
    return {"coding": [{"system": setting["code"]["coding"][0]["system"], "code": "no-such-code"}]}
