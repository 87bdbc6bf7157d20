"""What the service emits is valid R4 and keeps to its profiles, by the verdict of an independent validator.

Needs Java 17 and Maven; the libraries are fetched on the first run and nothing is fetched afterwards.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.profile_index import profile_of
from tests.reference import emitted, mutants, reference
from tests.reference.definitions import PROFILES
from tests.reference.reference import Line, Verdict

_TOOL = reference.missing_tool()
needs_java = pytest.mark.skipif(_TOOL is not None, reason=f"the reference validator needs {_TOOL}, which is not here")
WITHOUT_PROFILE = {"Bundle", "CapabilityStatement", "OperationOutcome", "Subscription"}
_RIGHT = 40
"""How many right resources of a profile are looked through for one that can be broken."""


@dataclass(frozen=True, slots=True)
class Checked:
    """Everything that was asked of the validator, and what it said."""

    resources: dict[str, Resource]
    broken: dict[str, Resource]
    verdicts: dict[str, Verdict]


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Resource]:
    return emitted.collect(tmp_path_factory.mktemp("emitted")).resources


@pytest.fixture(scope="module")
def checked(resources: dict[str, Resource], tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """One run of the validator over everything."""
    broken = {f"mutant {m.breaks}": m.resource for m in _all_mutants(resources)}
    lines = [Line(key, profile_of(resource), resource) for key, resource in resources.items()]
    lines += [Line(key, f"{BASE}/StructureDefinition/{key.split()[1]}", held) for key, held in broken.items()]
    lines += _controls(resources)
    try:
        return Checked(resources, broken, reference.verdicts(lines, tmp_path_factory.mktemp("reference")))
    except reference.NotHere as lacking:
        pytest.skip(f"the reference validator needs {lacking}")


def _all_mutants(resources: dict[str, Resource]) -> Iterator[mutants.Mutant]:
    right: dict[str | None, list[Resource]] = defaultdict(list)
    for resource in resources.values():
        right[profile_of(resource)].append(resource)
    for profile in PROFILES:
        held = sorted(right[profile.url], key=lambda r: -len(str(r)))[:_RIGHT]
        yield from mutants.mutants(profile.definition(), held)


def test_every_profile_is_that_of_something_emitted(resources: dict[str, Resource]) -> None:
    assert {p.url for p in PROFILES} - {profile_of(r) for r in resources.values()} == set()


def test_everything_emitted_has_a_profile(resources: dict[str, Resource]) -> None:
    without = {k for k, r in resources.items() if profile_of(r) is None and r["resourceType"] not in WITHOUT_PROFILE}
    assert {k for k in without if "proposed by a client" not in k and not k.startswith("rare ServiceRequest")} == set()


def test_the_examples_that_are_posted_are_all_the_examples() -> None:
    posted = {file for file, _ in emitted.posted_examples()} | {"examples/dental-office/setting-observation.json"}
    folders = [emitted.EXAMPLES / name for name in ("sleep-lab", "dental-office", "physician")]
    files = {p.relative_to(emitted.ROOT).as_posix() for folder in folders for p in folder.glob("*.json")}
    assert files == posted


@needs_java
def test_everything_emitted_is_valid(checked: Checked) -> None:
    wrong = {k: checked.verdicts[k].errors for k in checked.resources if not checked.verdicts[k].valid}
    assert wrong == {}


def test_every_kind_of_notice_is_among_what_is_emitted(resources: dict[str, Resource]) -> None:
    kinds = {key.split()[1] for key in resources if key.startswith("notice ")}
    assert kinds == {"handshake", "event-notification", "heartbeat"}


@needs_java
def test_every_line_of_every_profile_holds_something(checked: Checked) -> None:
    """Each mutant breaks one line of a profile; one that is called valid shows a line that holds nothing."""
    assert len(checked.broken) > 10 * len(PROFILES)
    assert [key for key in checked.broken if checked.verdicts[key].valid] == []


@needs_java
def test_every_invariant_is_the_one_that_is_broken(checked: Checked) -> None:
    """Each invariant of each profile is named by the validator for at least one mutant made to break it."""
    said: dict[str, str] = defaultdict(str)
    for key in checked.broken:
        said[key.split()[1]] += "\n".join(checked.verdicts[key].errors)
    keys = {(p.id, rule.key) for p in PROFILES for e in p.all_elements for rule in e.rules}
    assert {(owner, key) for owner, key in keys if f"failed: {key}:" not in said[owner]} == set()


@needs_java
def test_wrong_resources_are_found(checked: Checked) -> None:
    """Controls by hand; the last of them is a right resource."""
    found = {key: verdict for key, verdict in checked.verdicts.items() if key.startswith("control ")}
    assert [key for key, verdict in found.items() if verdict.valid] == ["control right"]
    assert any("wear-nights" in error for error in found["control invariant"].errors)


def _controls(resources: dict[str, Resource]) -> list[Line]:
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
        Line(
            "control profile", None, {**setting, "meta": {"profile": [f"{BASE}/StructureDefinition/no-such-profile"]}}
        ),
        Line("control no FHIR", None, {"hello": "world"}),
        Line("control right", profile_of(setting), setting),
    ]


def _more_nights(part: Resource) -> Resource:
    worn = part["code"]["coding"][0]["code"] == "nights-worn"
    return {**part, "valueInteger": 31} if worn else part


def _unknown_code(setting: Resource) -> Resource:
    return {"coding": [{"system": setting["code"]["coding"][0]["system"], "code": "no-such-code"}]}
