"""The referral's states: every cell of from × to × role (https://hl7.org/fhir/R4/task.html#statemachine).

What must hold stands in `tests/referral_grid.py`, written by hand.
"""

from __future__ import annotations

import pytest

from service.fhir.referral_task import (
    ENDED,
    NEEDS_REASON,
    STATUSES,
    WORKING,
    Guard,
    Role,
    Verdict,
    already_past,
    cell,
    refusal,
)
from service.rules.kinds import ReferralState
from tests.referral_grid import LETTERS, ORDER, ROWS

CELLS = [
    (start, end, letter, ROWS[start][column])
    for start in ORDER
    for column, end in enumerate(ORDER)
    for letter in LETTERS
]
GUARDS = {
    ("requested", "received"): {"OWNER"},
    ("requested", "accepted"): {"OWNER"},
    ("received", "accepted"): {"OWNER"},
    ("requested", "rejected"): {"OWNER", "REASON"},
    ("received", "rejected"): {"OWNER", "REASON"},
    ("accepted", "rejected"): {"OWNER", "REASON"},
    ("requested", "cancelled"): {"REVOKED"},
    ("received", "cancelled"): {"REVOKED"},
    ("accepted", "cancelled"): {"REVOKED"},
    ("accepted", "in-progress"): {"OWNER", "WORK"},
    ("in-progress", "on-hold"): {"OWNER", "REASON"},
    ("on-hold", "in-progress"): {"OWNER", "REASON"},
    ("accepted", "completed"): {"OWNER", "OUTPUT"},
    ("in-progress", "completed"): {"OWNER", "OUTPUT"},
    ("on-hold", "completed"): {"OWNER", "OUTPUT"},
    ("in-progress", "failed"): {"OWNER", "REASON"},
    ("on-hold", "failed"): {"OWNER", "REASON"},
    ("in-progress", "cancelled"): {"AGREED", "REVOKED"},
    ("on-hold", "cancelled"): {"AGREED", "REVOKED"},
    **{
        (start, "entered-in-error"): {"REASON"}
        for start in ("draft", "requested", "received", "accepted", "ready", "in-progress", "on-hold")
    },
}


def test_the_grid_has_a_cell_for_every_status_of_an_r4_task_and_every_role() -> None:
    assert len(CELLS) == 12 * 12 * 3
    assert set(ORDER) == set(STATUSES)
    assert {s.value for s in ReferralState} == set(ORDER) - {"draft", "ready"}


@pytest.mark.parametrize(("start", "end", "letter", "held"), CELLS)
def test_a_cell_of_the_table(start: str, end: str, letter: str, held: str) -> None:
    found = cell(start, end, LETTERS[letter])
    expected = Verdict.SAME if held == "=" else Verdict.ALLOWED if held == letter else Verdict.REFUSED
    assert found.verdict is expected
    guards = GUARDS[start, end] if expected is Verdict.ALLOWED else set()
    assert {g.name for g in found.guards} == guards


@pytest.mark.parametrize(("start", "end"), [(s, e) for s in ORDER for e in ORDER])
def test_a_client_of_unknown_role_may_what_either_office_may(start: str, end: str) -> None:
    held = ROWS[start][ORDER.index(end)]
    expected = Verdict.SAME if held == "=" else Verdict.ALLOWED if held in "FP" else Verdict.REFUSED
    assert cell(start, end, Role.UNKNOWN).verdict is expected


def test_a_state_that_ended_is_left_by_nobody() -> None:
    left = {s for s in ORDER if any(cell(s, e, r).verdict is Verdict.ALLOWED for e in ORDER for r in Role)}
    assert left == set(ORDER) - ENDED


def test_reasons_are_asked_where_the_table_of_states_asks_for_them() -> None:
    assert {"rejected", "on-hold", "failed", "entered-in-error"} == NEEDS_REASON


def test_work_has_begun_in_these_states() -> None:
    assert {"in-progress", "on-hold"} == WORKING


def test_every_guard_stands_somewhere_in_the_table() -> None:
    assert {g.name for g in Guard} == set().union(*GUARDS.values())


@pytest.mark.parametrize(
    ("start", "end", "past"),
    [
        ("in-progress", "accepted", True),
        ("accepted", "requested", True),
        ("accepted", "in-progress", False),
        ("accepted", "accepted", False),
        ("completed", "accepted", False),
        ("on-hold", "in-progress", False),
    ],
)
def test_an_earlier_step_that_arrives_late(start: str, end: str, past: bool) -> None:
    assert already_past(start, end) is past


def test_a_refusal_names_from_to_and_role() -> None:
    assert refusal("rejected", "accepted", Role.FULFILLER) == (
        "A referral that is «rejected» cannot be made «accepted» by the dental office."
    )


def test_a_refusal_to_cancel_after_work_began_says_what_to_do() -> None:
    assert refusal("on-hold", "cancelled", Role.PLACER).endswith("ask for it with a Task of code abort.")
