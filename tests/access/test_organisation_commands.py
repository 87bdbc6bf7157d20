"""`airway-relay organisation`, as an operator runs it (our own command, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.access.test_commands import Operator


@pytest.fixture
def operator(tmp_path: Path) -> Operator:
    return Operator(tmp_path)


def _added(operator: Operator, name: str, number: str) -> str:
    done = operator("organisation", "add", "--name", name, "--number", number)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_an_organisation_is_added_listed_bound_and_unbound(operator: Operator) -> None:
    dentist, laboratory = _added(operator, "Ferrygate Dental", "D-1"), _added(operator, "Tarnwick Sleep", "L-1")
    bound = operator("organisation", "bind", dentist, "--number", "77", "--sender", laboratory, "--system", "urn:x:own")
    assert (bound.returncode, bound.stdout) == (0, f"77 stands for {dentist}; 0 cases delivered.\n")
    physician = ("--number", "dr-4", "--system", "https://registry.example/people", "--physician")
    assert operator("organisation", "bind", dentist, *physician).returncode == 0
    listed = operator("organisation", "list").stdout
    assert f"{dentist}  Ferrygate Dental\n" in listed and f"  77  when {laboratory} uses it" in listed
    assert "  Practitioner  https://registry.example/people  dr-4\n" in listed
    gone = operator("organisation", "unbind", *physician)
    assert gone.returncode == 0 and dentist in gone.stdout
    assert "dr-4" not in operator("organisation", "list").stdout


def test_what_cannot_be_bound_is_refused_in_one_line(operator: Operator) -> None:
    dentist, other = _added(operator, "Ferrygate Dental", "D-1"), _added(operator, "Millbeck Dental", "D-2")
    refusals = (
        (("add", "--name", "Another", "--number", "D-1"), "The number «D-1» is bound already"),
        (("add", "--name", " ", "--number", "D-3"), "A name of 1 to 200 letters is needed."),
        (("add", "--name", "A", "--number", " D-3"), "no blank at its ends"),
        (("bind", other, "--number", "D-1"), f"«D-1» is bound to {dentist}; unbind it first."),
        (("bind", "Organization/none", "--number", "D-9"), "Organization/none is not registered"),
        (("bind", dentist, "--number", "D-9", "--sender", "Organization/none"), "Organization/none is not registered"),
        (("bind", dentist, "--number", "dr-1", "--physician"), "A system has 1 to 255 letters"),
        (("unbind", "--number", "D-9"), "is bound to nobody here"),
    )
    for arguments, told in refusals:
        done = operator("organisation", *arguments)
        assert done.returncode == 1 and done.stdout == "", arguments
        assert told in done.stderr and done.stderr.count("\n") == 1, done.stderr


def test_a_client_of_an_unknown_number_needs_the_organisations_name(operator: Operator) -> None:
    usual = (
        "client",
        "add",
        "--name",
        "A",
        "--office",
        "sleep-lab",
        "--scope",
        "system/Task.rs",
        "--jwks",
        operator.keys,
    )
    done = operator(*usual, "--organisation-id", "L-9")
    assert done.returncode == 1 and "register it with organisation add" in done.stderr
    reference = _added(operator, "Tarnwick Sleep", "L-9")
    added = operator(*usual, "--organisation-id", "L-9")
    assert added.returncode == 0, added.stderr
    assert [one.organisation for one in operator.held()] == [reference]


def test_a_check_of_nothing_says_so(operator: Operator) -> None:
    _added(operator, "Ferrygate Dental", "D-1")
    done = operator("organisation", "check")
    assert done.returncode == 0
    assert done.stdout.endswith("Every party of every case is bound.\n") and "idle" in done.stdout
    assert operator("organisation", "check", "--accept", "all").stdout == "0 parties accepted.\n"
