"""What chance brings in one week of one patient, drawn before it is known what the rules will decide.

Every week draws the same numbers in the same order whatever happened before. Two sets of thresholds so meet
the same patients with the same luck, and their difference is the sets' own.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import NamedTuple

NIGHTS_OF_A_WEEK = 7


class Week(NamedTuple):
    """Numbers between 0 and 1, standard normal `*_noise`, and the night of the week on which a side effect begins."""

    drop_out: float
    missed: float
    pause: float
    new_side_effect: float
    grade: float
    end: float
    red_flag: float
    dentist: float
    snoring_noise: float
    restedness_noise: float
    epworth_noise: float
    hours_noise: float
    onset_nights_ago: int
    nights: tuple[float, ...]


def weeks_of(chance: Random) -> Iterator[Week]:
    """Week after week, without end."""
    while True:
        yield Week(
            *(chance.random() for _ in range(8)),
            *(chance.gauss(0, 1) for _ in range(4)),
            onset_nights_ago=1 + int(chance.random() * NIGHTS_OF_A_WEEK),
            nights=tuple(chance.random() for _ in range(NIGHTS_OF_A_WEEK)),
        )
