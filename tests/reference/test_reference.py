"""What the service emits is valid R4 and keeps to its profiles, by the verdict of an independent validator.

Needs Java 17 and Maven; the libraries are fetched on the first run and nothing is fetched afterwards.
"""

from __future__ import annotations

import pytest

from service.fhir.build import Resource
from service.fhir.profile_index import profile_of
from tests.reference import emitted
from tests.reference.conftest import Checked
from tests.reference.corpus import lines
from tests.reference.definitions import PROFILES

SIGN_INS = {"audit signed in", "audit not signed in", "audit signed out"}
"""Entries about no interaction with resources: AuditEvents of base R4."""
WITHOUT_PROFILE = {"Bundle", "CapabilityStatement", "OperationOutcome", "Subscription"}


def test_this_folder_is_run_by_one_process(request: pytest.FixtureRequest) -> None:
    """Else the validator would run once in each; a plugin and a test runner that do not fit once made it so."""
    if getattr(request.config.option, "loadgroup", False):
        assert request.node.nodeid.endswith("@reference")


def test_every_profile_is_that_of_something_emitted(resources: dict[str, Resource]) -> None:
    assert {p.url for p in PROFILES} - {profile_of(r) for r in resources.values()} == set()


def test_everything_emitted_has_a_profile(resources: dict[str, Resource]) -> None:
    without = {k for k, r in resources.items() if profile_of(r) is None and r["resourceType"] not in WITHOUT_PROFILE}
    assert without >= SIGN_INS
    without -= SIGN_INS
    assert {k for k in without if "proposed by a client" not in k and not k.startswith("rare ServiceRequest")} == set()


def test_the_examples_that_are_posted_are_all_the_examples() -> None:
    posted = {file for file, _ in emitted.posted_examples()} | {"examples/dental-office/setting-observation.json"}
    folders = [emitted.EXAMPLES / name for name in ("sleep-lab", "dental-office", "physician")]
    files = {p.relative_to(emitted.ROOT).as_posix() for folder in folders for p in folder.glob("*.json")}
    assert files == posted


def test_every_kind_of_notice_is_among_what_is_emitted(resources: dict[str, Resource]) -> None:
    kinds = {key.split()[1] for key in resources if key.startswith("notice ")}
    assert kinds == {"handshake", "event-notification", "heartbeat"}


@pytest.mark.at_length
def test_everything_emitted_is_valid(checked: Checked) -> None:
    wrong = {k: checked.verdicts[k].errors for k in checked.resources if not checked.verdicts[k].valid}
    assert wrong == {}


@pytest.mark.at_length
def test_every_line_of_every_profile_holds_something(checked: Checked) -> None:
    """Each of these mutants breaks one line of a profile; one that is called valid shows a line that holds nothing."""
    broken = [key for key, mutant in checked.mutants.items() if mutant.kind == lines.KIND]
    assert len(broken) > 10 * len(PROFILES)
    assert [key for key in broken if checked.verdicts[key].valid] == []


@pytest.mark.at_length
def test_every_invariant_is_the_one_that_is_broken(checked: Checked) -> None:
    """Each invariant of each profile is named by the validator for at least one mutant made to break it."""
    said = checked.errors_by_profile(lines.KIND)
    keys = {(p.id, rule.key) for p in PROFILES for e in p.all_elements for rule in e.rules}
    assert {(owner, key) for owner, key in keys if f"failed: {key}:" not in said[owner]} == set()


@pytest.mark.at_length
def test_wrong_resources_are_found(checked: Checked) -> None:
    """Controls by hand; the last of them is a right resource."""
    found = {key: verdict for key, verdict in checked.verdicts.items() if key.startswith("control ")}
    assert [key for key, verdict in found.items() if verdict.valid] == ["control right"]
    assert any("wear-nights" in error for error in found["control invariant"].errors)
