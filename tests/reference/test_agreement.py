"""The service's own verdicts are those of the independent validator, and its FHIRPath that of the library.

The copies of the R4 definitions it judges by are those of the validator's libraries.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.conformance import fhirpath_library
from service.fhir.conformance.fhirpath import NoAnswer
from service.fhir.conformance.fhirpath_functions import NotKnown, State
from service.fhir.conformance.issue import ERROR, Where
from service.fhir.conformance.profile import Node, Rule, held_in
from service.fhir.conformance.published import published
from service.fhir.profile_index import profile_of
from service.fhir.validate import issues_of
from tests.reference import emitted, mutants, probes, r4_definitions, reference
from tests.reference.definitions import PROFILES
from tests.reference.reference import Line, NotHere

_TOOL = reference.missing_tool()
needs_java = pytest.mark.skipif(_TOOL is not None, reason=f"the reference validator needs {_TOOL}, which is not here")
PARTIAL_DATES = {"side-effect-ends-after", "red-flag-ends-after"}
"""Invariants that compare dates: of a month and a day in it the library says that one is later, FHIRPath gives no answer."""


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[Line]:
    """Everything emitted, everything emitted with one profile line broken, and resources made by hand."""
    resources = emitted.collect(tmp_path_factory.mktemp("emitted")).resources
    found = [Line(key, profile_of(held), held) for key, held in resources.items()]
    for profile in PROFILES:
        right = sorted((r for r in resources.values() if profile_of(r) == profile.url), key=lambda r: -len(str(r)))
        for mutant in mutants.mutants(profile.definition(), right[:20]):
            found.append(Line(f"mutant {mutant.breaks}", f"{BASE}/StructureDefinition/{profile.id}", mutant.resource))
    return found + [Line(f"probe {name}", profile_of(held), held) for name, held in probes.RESOURCES.items()]


@needs_java
def test_the_verdicts_are_those_of_the_validator(lines: list[Line], tmp_path_factory: pytest.TempPathFactory) -> None:
    try:
        verdicts = reference.verdicts(lines, tmp_path_factory.mktemp("agreement"))
    except NotHere as lacking:
        pytest.skip(f"the reference validator needs {lacking}")
    differ: dict[str, Any] = {}
    for line in lines:
        errors = [i for i in issues_of(line.resource, line.profile) if i.severity == ERROR]
        if verdicts[line.id].valid == bool(errors):
            differ[line.id.removeprefix("probe ")] = verdicts[line.id].errors or errors
    assert differ.keys() == probes.STRICTER_HERE.keys() | probes.LOOSER_HERE.keys(), differ
    assert {name for name in probes.LOOSER_HERE if verdicts[f"probe {name}"].valid} == set()


def _rules(node: Node, value: Any, type_path: str) -> Iterator[tuple[Rule, Any, str]]:
    """Every invariant of a profile with each value it is about."""
    yield from ((rule, value, type_path) for rule in node.rules)
    for child in node.children if isinstance(value, dict) else ():
        assert child.group is not None
        for held in held_in(value, child.group, Where(None, "")):
            for one in (child, *child.slices):
                yield from _rules(one, held.value, held.type_path)


def _answer(work: Any) -> Any:
    try:
        answer = work()
    except NoAnswer:
        return "no answer"
    return bool(answer) and answer[0] is not False


def test_the_translated_invariants_say_what_the_library_says(lines: list[Line]) -> None:
    seen: set[tuple[str, str]] = set()
    differ: list[tuple[str, str]] = []
    for line in lines:
        profile = published().get(line.profile or "")
        if profile is None or line.resource.get("resourceType") != profile.kind:
            continue
        for rule, value, type_path in _rules(profile.root, line.resource, ""):
            key = (rule.expression.text, repr(value))
            if value is None or key in seen:
                continue
            seen.add(key)
            translated = rule.expression.translated
            assert translated is not None, rule.expression.text
            try:
                own = _answer(lambda: translated([value], State(value, line.resource)))  # noqa: B023
            except NotKnown:
                continue  # left to the library
            held = (rule.expression.text, value, line.resource, type_path)
            if own != _answer(lambda: fhirpath_library.evaluate(*held)):  # noqa: B023
                differ.append((rule.key, line.id))
    assert len(seen) > 1000
    assert {key for key, _ in differ} <= PARTIAL_DATES, differ
    assert all("too_coarse" in place for _, place in differ)


@pytest.mark.skipif(r4_definitions.jar() is None, reason="the libraries with the definitions of R4 are not here")
def test_the_copies_of_the_definitions_are_fresh() -> None:
    """To write them anew: `python -m tests.reference.r4_definitions`."""
    for file, text in r4_definitions.texts().items():
        assert (r4_definitions.WRITTEN / file).read_text(encoding="utf-8") == text, file


def _probe(name: str) -> Resource:
    return probes.RESOURCES[name]


@pytest.mark.parametrize("name", sorted(probes.STRICTER_HERE))
def test_what_is_refused_here_alone_has_a_reason(name: str) -> None:
    assert [i for i in issues_of(_probe(name)) if i.severity == ERROR], probes.STRICTER_HERE[name]


@pytest.mark.parametrize("name", sorted(probes.LOOSER_HERE))
def test_what_is_taken_here_alone_has_a_reason(name: str) -> None:
    assert [i for i in issues_of(_probe(name)) if i.severity == ERROR] == [], probes.LOOSER_HERE[name]
