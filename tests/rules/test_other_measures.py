"""Changes in position, desaturation and oxygen, each compared only with its own kind."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.other_measures import other_measures, remainder_is_supine

from .build import DEFAULTS, baseline, dec, efficacy, rows


def changes(before, after):
    nights = baseline(**{k: dec(v) for k, v in before.items()}), efficacy(3, **{k: dec(v) for k, v in after.items()})
    return {m.name: m for m in other_measures(*nights)}


EACH = rows(
    ("supine", "supine_per_hour", "supine-index", "40", "12.5", "-27.5", "measure.lower-rate"),
    ("non-supine", "non_supine_per_hour", "non-supine-index", "10", "4", "-6", "measure.lower-rate"),
    ("lowest SpO2", "lowest_spo2_percent", "lowest-spo2", "78", "86", "8", "measure.higher"),
    ("T90", "t90_percent", "t90", "6.4", "6.4", "0", "measure.unchanged"),
    ("T90 down to 0", "t90_percent", "t90", "6.4", "0", "-6.4", "measure.lower"),
)


@pytest.mark.parametrize(("field", "name", "before", "after", "change", "says"), EACH)
def test_each_measure(field, name, before, after, change, says):
    found = changes({field: before}, {field: after})
    assert list(found) == [name]
    item = found[name]
    assert (item.before, item.after, item.change) == (Decimal(before), Decimal(after), Decimal(change))
    assert item.sentence.id == says
    if change != "0":
        assert f", {abs(Decimal(change))} {says.removeprefix('measure.').removesuffix('-rate')}" in item.sentence


# The falls of the indices by position stand beside the fall of the whole.
FALLS = rows(
    ("supine 40 to 12.5", "supine_per_hour", "40", "12.5", "27.5 lower (69 %)."),
    ("non-supine 10 to 4", "non_supine_per_hour", "10", "4", "6 lower (60 %)."),
    ("non-supine from none", "non_supine_per_hour", "0", "4", "4 higher."),
)


@pytest.mark.parametrize(("field", "before", "after", "says"), FALLS)
def test_indices_by_position_with_their_falls(field, before, after, says):
    (item,) = changes({field: before}, {field: after}).values()
    assert item.sentence.endswith(says)


ODI = rows(
    ("3 % at both", 3, 3, "-12", "12 lower"),
    ("4 % at both", 4, 4, "-12", "12 lower"),
    ("3 % against 4 %", 3, 4, None, "not compared, because drops of 3 % and of 4 % were scored"),
    ("not known at the baseline", None, 3, None, "is not known for both"),
    ("not known at the efficacy test", 3, None, None, "is not known for both"),
    ("known for neither", None, None, None, "is not known for both"),
)


@pytest.mark.parametrize(("before", "after", "change", "says"), ODI)
def test_desaturation_only_with_the_same_drop(before, after, change, says):
    nights = (
        baseline(odi_per_hour=Decimal(20), odi_drop_percent=before),
        efficacy(3, odi_per_hour=Decimal(8), odi_drop_percent=after),
    )
    (item,) = other_measures(*nights)
    assert item.name == "desaturation-index"
    assert item.change == dec(change)
    assert says in item.sentence
    assert (item.before, item.after) == (20, 8)


def test_another_measure_is_compared_whatever_the_drop():
    nights = (
        baseline(t90_percent=Decimal(5), odi_drop_percent=3),
        efficacy(3, t90_percent=Decimal(2), odi_drop_percent=4),
    )
    assert other_measures(*nights)[0].change == -3


def test_a_measure_of_one_test_only_is_shown_without_a_change():
    item = changes({}, {"t90_percent": "3"})["t90"]
    assert (item.before, item.after, item.change) == (None, 3, None)
    assert item.sentence == (
        "Time below 90 % saturation: not reported on 2 Jun 2026, 3 % of the recording on 27 Sep 2026."
    )
    other = changes({"t90_percent": "3"}, {})["t90"]
    assert (other.before, other.after) == (3, None)
    assert changes({}, {}) == {}


def test_as_data_and_units():
    found = changes({"supine_per_hour": "40", "t90_percent": "3"}, {"supine_per_hour": "12"})
    assert found["supine-index"].as_data() == {
        "name": "supine-index",
        "title": "Supine index",
        "unit": "{events}/h",
        "before": Decimal(40),
        "after": Decimal(12),
        "change": Decimal(-28),
        "sentence": "Supine index: 40 per hour on 2 Jun 2026, 12 per hour on 27 Sep 2026, 28 lower (70 %).",
    }
    assert found["t90"].unit == "%"


# Positional by supine at least twice non-supine (doi 10.15331/jdsm.6918), and not resolved on the back.
SUPINE = rows(
    ("12 against 6", "12", "6", True),
    ("11.9 against 6", "11.9", "6", False),
    ("5 against 1", "5", "1", True),
    ("4.9 against 1: resolved", "4.9", "1", False),
    ("supine not reported", None, "1", False),
    ("non-supine not reported", "12", None, False),
)


@pytest.mark.parametrize(("supine", "other", "expected"), SUPINE)
def test_whether_the_remainder_is_supine(supine, other, expected):
    test = efficacy(3, supine_per_hour=dec(supine), non_supine_per_hour=dec(other))
    assert remainder_is_supine(test, DEFAULTS) is expected
