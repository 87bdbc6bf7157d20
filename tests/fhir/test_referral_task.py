"""The referral's states: every cell of from × to × role (https://hl7.org/fhir/R4/task.html#statemachine)."""

from __future__ import annotations

import pytest

from service.fhir.referral_task import ENDED, FULFILLER, NEEDS_REASON, PLACER, already_past, may_move, refusal
from service.rules.facts import ReferralState as S

# one row per state, one column per state in the same order:
# . nobody   F the dental office   P the physician's office   = stays where it is
ORDER = (
    S.REQUESTED,
    S.RECEIVED,
    S.ACCEPTED,
    S.IN_PROGRESS,
    S.ON_HOLD,
    S.COMPLETED,
    S.REJECTED,
    S.CANCELLED,
    S.FAILED,
    S.ENTERED_IN_ERROR,
)
TABLE = """
requested         = F F . . . F P . P
received          . = F . . . F P . P
accepted          . . = F . F F P . P
in-progress       . . . = F F . . F P
on-hold           . . . F = F . . F P
completed         . . . . . = . . . .
rejected          . . . . . . = . . .
cancelled         . . . . . . . = . .
failed            . . . . . . . . = .
entered-in-error  . . . . . . . . . =
"""
ROWS = {row.split()[0]: row.split()[1:] for row in TABLE.strip().splitlines()}
CELLS = [
    (start, end, role, ROWS[start.value][column])
    for start in ORDER
    for column, end in enumerate(ORDER)
    for role in (FULFILLER, PLACER)
]


def test_the_table_names_every_state() -> None:
    assert set(ORDER) == set(S)
    assert [S(name) for name in ROWS] == list(ORDER)
    assert {len(row) for row in ROWS.values()} == {len(ORDER)}


@pytest.mark.parametrize(("start", "end", "role", "cell"), CELLS)
def test_a_cell_of_the_table(start: S, end: S, role: str, cell: str) -> None:
    allowed = cell == "=" or (cell == "F" and role == FULFILLER) or (cell == "P" and role == PLACER)
    assert may_move(start, end, role) is allowed


def test_nobody_else_moves_a_referral() -> None:
    assert not any(may_move(s, e, "client") for s in S for e in S if s is not e)


def test_a_state_that_ended_is_left_by_nobody() -> None:
    left = {s for s in S if any(may_move(s, e, r) for e in S for r in (FULFILLER, PLACER) if e is not s)}
    assert left == set(S) - ENDED


def test_reasons_are_asked_where_the_table_of_states_asks_for_them() -> None:
    assert {S.REJECTED, S.ON_HOLD, S.FAILED, S.ENTERED_IN_ERROR} == NEEDS_REASON


@pytest.mark.parametrize(
    ("start", "end", "past"),
    [
        (S.IN_PROGRESS, S.ACCEPTED, True),
        (S.ACCEPTED, S.REQUESTED, True),
        (S.ACCEPTED, S.IN_PROGRESS, False),
        (S.ACCEPTED, S.ACCEPTED, False),
        (S.COMPLETED, S.ACCEPTED, False),
        (S.ON_HOLD, S.IN_PROGRESS, False),
    ],
)
def test_an_earlier_step_that_arrives_late(start: S, end: S, past: bool) -> None:
    assert already_past(start, end) is past


def test_a_refusal_names_from_to_and_role() -> None:
    assert refusal(S.REJECTED, S.ACCEPTED, FULFILLER) == (
        "A referral that is «rejected» cannot be made «accepted» by the dental office."
    )
