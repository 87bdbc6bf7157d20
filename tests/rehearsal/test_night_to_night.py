"""One test night against the mean of three, as in Punjabi 2020 (doi 10.1016/j.chest.2020.01.039).

Read there: about 20 % of those mild or moderate on the first night were misclassified against all three nights; the
nights correlated with r = 0.87 to 0.89; a normal first night was right in 93 % and a severe one in 87 %.
The model is fitted to the first and gives 18 %. It does not reproduce the rest: r is 0.80, a severe first night is
right in 78 % and a normal one in 61 %, because hardly any of the simulated people is well or very ill.
"""

from decimal import Decimal
from random import Random
from statistics import correlation

import pytest

from service.rehearsal.parameters import Parameters
from service.rehearsal.patient import draw_true_ahi, measured_ahi
from service.rules.response import severity
from service.rules.thresholds import Thresholds

PEOPLE = 4000


@pytest.fixture(scope="module")
def three_nights() -> list[list[Decimal]]:
    chance, parameters = Random("three nights"), Parameters()
    people = [draw_true_ahi(chance, parameters) for _ in range(PEOPLE)]
    return [[measured_ahi(chance, true, parameters) for _ in range(3)] for true in people]


def test_one_night_misclassifies_about_a_fifth_of_mild_and_moderate(three_nights: list[list[Decimal]]) -> None:
    thresholds = Thresholds()
    judged = [(severity(n[0], thresholds), severity(sum(n, Decimal(0)) / 3, thresholds)) for n in three_nights]
    wrong = [first != reference for first, reference in judged if first in ("mild", "moderate")]
    assert len(wrong) > PEOPLE / 2
    assert 0.15 <= sum(wrong) / len(wrong) <= 0.25


def test_nights_of_one_person_agree_nearly_as_well_as_read(three_nights: list[list[Decimal]]) -> None:
    first, second = ([float(n[i]) for n in three_nights] for i in (0, 1))
    assert 0.75 <= correlation(first, second) <= 0.92


def test_a_night_measures_the_true_ahi_on_average() -> None:
    chance, parameters = Random("average"), Parameters()
    nights = [float(measured_ahi(chance, 12.0, parameters)) for _ in range(4000)]
    assert sum(nights) / len(nights) == pytest.approx(12.0, rel=0.02)
