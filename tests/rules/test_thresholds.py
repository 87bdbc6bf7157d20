"""Every number of the rules has its mark, source, unit and range, and a site can move it only inside the range."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.thresholds import Mark, Threshold, Thresholds

EVERY = Thresholds().all()
MOVABLE = [t for t in EVERY if t.low < t.high]


def named(items):
    return pytest.mark.parametrize("threshold", items, ids=lambda t: t.name)


@named(EVERY)
def test_every_threshold_is_supported(threshold: Threshold):
    assert isinstance(threshold.mark, Mark)
    assert threshold.source and threshold.meaning and threshold.unit and threshold.name
    assert threshold.low <= threshold.value <= threshold.high
    assert getattr(Thresholds(), threshold.name) is not None


@named(EVERY)
def test_only_a_published_threshold_cites_its_source(threshold: Threshold):
    if threshold.mark is Mark.PUBLISHED:
        assert threshold.cited == threshold.source
        assert "doi 10." in threshold.cited
    else:
        assert threshold.cited == threshold.mark.meaning
        assert "doi" not in threshold.cited and threshold.source not in ("", threshold.cited)


PUBLISHED = {
    "wear_share",
    "wear_hours",
    "epworth_change",
    "maximum_percent_of_range",
    "normal_index",
    "low_index",
    "halved_percent",
    "moderate_index",
    "severe_index",
}


def test_which_thresholds_are_published_and_which_are_ours():
    assert {t.name for t in EVERY if t.mark is Mark.PUBLISHED} == PUBLISHED
    marks = {t.name: t.mark for t in EVERY}
    assert marks["stable_days"] is Mark.POLICY
    assert marks["snoring_settled"] is Mark.MEMORY
    assert marks["test_hours"] is Mark.MEMORY
    assert marks["step_mm"] is Mark.PRACTICE


def test_each_mark_has_its_own_meaning():
    assert len({m.meaning for m in Mark}) == len(Mark)


# The defaults of the clinical ground.
DEFAULT_VALUES = {
    "stable_days": "14",
    "even_within_mm": "0.25",
    "wear_nights_needed": "7",
    "wear_share": "0.70",
    "wear_hours": "4",
    "snoring_settled": "3",
    "restedness_settled": "7",
    "epworth_settled": "10",
    "epworth_change": "2",
    "check_ins_needed": "2",
    "check_in_fresh_days": "28",
    "side_effect_grade": "2",
    "test_hours": "4",
    "step_mm": "1",
    "step_days": "7",
    "step_nights_of_seven": "4",
    "goal_mm": "2",
    "standard_parts_mm": "3",
    "maximum_percent_of_range": "70",
    "side_effect_persisting_days": "3",
    "normal_index": "5",
    "low_index": "10",
    "halved_percent": "50",
    "moderate_index": "15",
    "severe_index": "30",
    "adult_years": "18",
}


@pytest.mark.parametrize(("name", "value"), DEFAULT_VALUES.items())
def test_default_values(name, value):
    assert getattr(Thresholds(), name).value == Decimal(value)


def test_the_stable_weeks_may_be_7_to_90_days():
    held = Thresholds().stable_days
    assert (held.low, held.high) == (7, 90)


@named(EVERY)
def test_the_ends_of_the_range_are_permitted_and_beyond_them_refused(threshold: Threshold):
    for end in (threshold.low, threshold.high):
        assert getattr(Thresholds().with_values({threshold.name: end}), threshold.name).value == end
    small = Decimal("0.001")
    for beyond in (threshold.low - small, threshold.high + small, Decimal("NaN"), Decimal("Infinity")):
        with pytest.raises(ValueError, match=threshold.name):
            Thresholds().with_values({threshold.name: beyond})


@named(MOVABLE)
def test_a_site_value_keeps_mark_source_and_range(threshold: Threshold):
    other = threshold.low if threshold.value != threshold.low else threshold.high
    site = Thresholds().with_values({threshold.name: other})
    moved = getattr(site, threshold.name)
    assert (moved.value, moved.name, moved.mark, moved.low) == (other, threshold.name, threshold.mark, threshold.low)
    assert [t for t in site.all() if t.name != threshold.name] == [t for t in EVERY if t.name != threshold.name]


@named([t for t in MOVABLE if t.unit in ("d", "a", "{check-ins}")])
def test_days_years_and_check_ins_are_whole(threshold: Threshold):
    with pytest.raises(ValueError, match="only whole numbers"):
        Thresholds().with_values({threshold.name: threshold.low + Decimal("0.5")})


@pytest.mark.parametrize("name", ["stable_weeks", "", "__class__", "all"])
def test_unknown_names_are_refused(name):
    with pytest.raises(ValueError, match="there is no threshold named"):
        Thresholds().with_values({name: Decimal(14)})


def test_one_refused_value_leaves_the_others_untouched():
    before = Thresholds()
    with pytest.raises(ValueError, match="step_days"):
        before.with_values({"stable_days": Decimal(21), "step_days": Decimal(2)})
    assert before == Thresholds()
