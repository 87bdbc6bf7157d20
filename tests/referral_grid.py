"""The states of a referral by hand: the project's own table of states, row by row, not made from the code."""

from __future__ import annotations

from service.fhir.referral_task import Role

# columns in the order of the rows:
# . refused   = stays where it is   F dental office   P physician's office   S the service alone
GRID = """
                  drf req rcv acc rej rdy can inp hld fld com err
draft              =   .   .   .   .   .   .   .   .   .   .   P
requested          .   =   F   F   F   .   P   .   .   .   .   P
received           .   .   =   F   F   .   P   .   .   .   .   P
accepted           .   .   .   =   F   .   P   F   .   .   F   P
rejected           .   .   .   .   =   .   .   .   .   .   .   .
ready              .   .   .   .   .   =   .   .   .   .   .   P
cancelled          .   .   .   .   .   .   =   .   .   .   .   .
in-progress        .   .   .   .   .   .   S   =   F   F   F   P
on-hold            .   .   .   .   .   .   S   F   =   F   F   P
failed             .   .   .   .   .   .   .   .   .   =   .   .
completed          .   .   .   .   .   .   .   .   .   .   =   .
entered-in-error   .   .   .   .   .   .   .   .   .   .   .   =
"""
ROWS = {line.split()[0]: line.split()[1:] for line in GRID.strip().splitlines()[1:]}
ORDER = tuple(ROWS)
LETTERS = {"P": Role.PLACER, "F": Role.FULFILLER, "S": Role.SERVICE}


def letter(start: str, end: str) -> str:
    """The cell of the grid: `.`, `=`, or the letter of the role that may move."""
    return ROWS[start][ORDER.index(end)]
