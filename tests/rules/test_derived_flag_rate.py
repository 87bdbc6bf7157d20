"""How often a stable patient gets a derived red flag: an alarm that rings for most is heard by nobody.

The rule is read as written, with the median of the totals before the last two. The share hangs on how far the totals of
a stable patient wander, which the ground does not say: both spreads are measured here, and neither is hidden.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from service.rules.check_ins import Reported
from service.rules.source import Moment
from service.rules.worsening import Totals, worsened

from .build import DEFAULTS, ago

PATIENTS, WEEKS = 20_000, 12


Wander = Callable[[random.Random], float]


def by_one_seldom_two(chance: random.Random) -> float:
    """A spread of 1."""
    return chance.gauss(0, 1)


def by_two_either_way(chance: random.Random) -> float:
    """Each of -2, -1, 0, 1 and 2 as often as the others."""
    return chance.choice((-2, -1, 0, 1, 2))


def a_patient(chance: random.Random, improved: int, worse_by: int = 0, wander: Wander = by_one_seldom_two) -> Totals:
    """Weekly totals that wander around the patient's own mean.

    The one before treatment lies `improved` above that mean; from the seventh week on the patient is `worse_by` worse.
    """
    mean = chance.uniform(3, 14)

    def total(shift: int = 0) -> int:
        return min(24, max(0, round(mean + shift + wander(chance))))

    before = total(improved)
    told = (total(worse_by if week >= WEEKS // 2 else 0) for week in range(WEEKS))
    answers = (
        Reported(Moment(ago(7 * (WEEKS - week))), value, "patient", (), False, ()) for week, value in enumerate(told)
    )
    return Totals(tuple(answers), before, (), None)


def share_flagged(patients: int, improved: int, worse_by: int = 0, wander: Wander = by_one_seldom_two) -> float:
    """The share of patients with at least one derived red flag of worse sleepiness."""
    chance = random.Random(2026)
    told = (a_patient(chance, improved, worse_by, wander) for _ in range(patients))
    return sum(bool(worsened(totals, DEFAULTS)) for totals in told) / patients


def test_at_most_one_stable_treated_patient_in_twenty_is_flagged_in_twelve_weeks():
    """Treated with the usual gain: three points less sleepy than before."""
    share = share_flagged(PATIENTS, improved=3)
    assert 0 < share <= 0.05, share


def test_totals_that_wander_by_two_either_way_are_flagged_more_often():
    """Above the 2 to 5 % that the ground aims at: measured 6.5 % of treated patients in twelve weeks."""
    share = share_flagged(PATIENTS, improved=3, wander=by_two_either_way)
    assert 0.06 < share < 0.08, share


def test_a_stable_patient_whom_treatment_did_not_help_is_flagged_more_often():
    """Not hidden: compared with one noisy total at their own mean, about one in eight of these is flagged by chance."""
    share = share_flagged(2_000, improved=0)
    assert 0.05 < share < 0.20, share


def test_patients_who_get_much_sleepier_are_flagged():
    """Six points worse from the seventh week on: the alarm that is quiet for the stable rings for most who become sleepy."""
    assert share_flagged(2_000, improved=3, worse_by=6) > 0.6
