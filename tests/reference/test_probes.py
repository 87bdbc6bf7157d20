"""The service's own verdicts are those of the independent validator, and its FHIRPath that of the library.

The copies of the R4 definitions it judges by are those of the validator's libraries.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.fhir.build import Resource
from service.fhir.conformance import fhirpath_library
from service.fhir.conformance.fhirpath import NoAnswer
from service.fhir.conformance.fhirpath_functions import NotKnown, State
from service.fhir.conformance.issue import ERROR, Where
from service.fhir.conformance.profile import Node, Rule, held_in
from service.fhir.conformance.published import published
from service.fhir.profile_index import profile_of
from service.fhir.validate import issues_of
from tests.reference import probes, r4_definitions
from tests.reference.conftest import Checked
from tests.reference.corpus import Mutant, lines
from tests.reference.reference import Line

PARTIAL_DATES = {"side-effect-ends-after", "red-flag-ends-after"}
"""Invariants that compare dates: of a month and a day in it the library says that one is later, FHIRPath gives no answer."""


@pytest.fixture(scope="module")
def held(resources: dict[str, Resource], mutants: dict[str, Mutant]) -> list[Line]:
    """Everything emitted, and everything emitted with one line of its profile broken."""
    found = [Line(key, profile_of(resource), resource) for key, resource in resources.items()]
    return found + [Line(m.id, m.judged_by, m.resource) for m in mutants.values() if m.kind == lines.KIND]


@pytest.mark.at_length
def test_verdicts_on_what_was_made_by_hand_differ_only_where_a_reason_is_given(checked: Checked) -> None:
    differ: dict[str, Any] = {}
    for name, resource in probes.RESOURCES.items():
        errors = [i for i in issues_of(resource, profile_of(resource)) if i.severity == ERROR]
        verdict = checked.verdicts[f"probe {name}"]
        if verdict.valid == bool(errors):
            differ[name] = verdict.errors or errors
    assert differ.keys() == probes.STRICTER_HERE.keys() | probes.LOOSER_HERE.keys(), differ
    assert {name for name in probes.LOOSER_HERE if checked.verdicts[f"probe {name}"].valid} == set()


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


def test_the_translated_invariants_say_what_the_library_says(held: list[Line]) -> None:
    seen: set[tuple[str, str]] = set()
    differ: list[tuple[str, str]] = []
    for line in held:
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
            asked = (rule.expression.text, value, line.resource, type_path)
            if own != _answer(lambda: fhirpath_library.evaluate(*asked)):  # noqa: B023
                differ.append((rule.key, line.id))
    assert len(seen) > 1000
    assert {key for key, _ in differ} <= PARTIAL_DATES, differ
    assert all("too coarse" in place for _, place in differ)


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
