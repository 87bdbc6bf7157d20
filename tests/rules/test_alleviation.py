"""Mean disease alleviation and effective index: the check vector, boundaries, and two derivations that agree."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.alleviation import alleviation, effective_index, mean_alleviation
from service.rules.course import course_on
from service.rules.facts import CaseFacts
from service.rules.kinds import Worn
from service.rules.response import assess_response

from .build import AS_OF, DEFAULTS, appliance, baseline, case, check_in, dec, efficacy, rows, setting


def wears(hours, slept, worn=7, of=7, days_ago=2):
    told = {"nights_worn": worn, "nights_reported": of, "hours_per_night": hours}
    return check_in(days_ago, **told, hours_slept_per_night=dec(slept))


def nights_of(*reports):
    """The nights that check-ins tell, of an appliance delivered long before."""
    facts = CaseFacts(appliances=(appliance(200),), check_ins=reports)
    return course_on(facts, AS_OF, DEFAULTS).ledger.nights


# 20 to 8, worn 6 of 7.5 hours: 48 % and 10.4 per hour (constructed; product by Vanderveken 2013,
# doi 10.1136/thoraxjnl-2012-201900; its operands from memory).
VECTORS = rows(
    ("20 to 8, 6 of 7.5 h", "20", "8", (wears("6", "7.5"),), "48", "10.4"),
    ("worn all night", "20", "8", (wears("7.5", "7.5"),), "60", "8"),
    ("worn longer than slept counts as all night", "20", "8", (wears("9", "7.5"),), "60", "8"),
    ("never worn", "20", "8", (wears(None, "7.5", worn=0),), "0", "20"),
    ("worn every other night", "20", "8", (wears("7.5", "7.5", worn=5, of=10),), "30", "14"),
    (
        "two check-ins weighed by their nights",
        "20",
        "0",
        (wears("8", "8", 6, 6, 9), wears("4", "8", 2, 2)),
        "87.5",
        "2.5",
    ),
    ("a rise alleviates nothing", "20", "30", (wears("6", "7.5"),), "0", "28"),
    ("8 h worn of 7 h slept on 4 of 7 nights: capped by night", "20", "8", (wears("8", "7", worn=4),), "34.3", "13.1"),
    (
        "a long night makes up for no short one",
        "20",
        "8",
        (wears("9", "7", 1, 1, 2), wears("5", "7", 1, 1, 1)),
        "51.4",
        "9.7",
    ),
    ("abolished", "20", "0", (wears("6", "7.5"),), "80", "4"),
)


@pytest.mark.parametrize(("before", "after", "reports", "mda", "effective"), VECTORS)
def test_vectors(before, after, reports, mda, effective):
    found = alleviation(Decimal(before), Decimal(after), nights_of(*reports))
    assert found is not None
    assert (found.percent, found.effective_per_hour) == (Decimal(mda), Decimal(effective))
    assert found.inputs == tuple(sorted(c.source for c in reports))


@given(
    st.fractions(1, 120),
    st.fractions(0, 1),
    st.fractions(0, 12),
    st.fractions(1, 12),
)
def test_the_two_derivations_agree_when_the_index_falls(before, kept, worn, slept):
    after = before * kept
    by_product = before * (1 - mean_alleviation(before, after, worn, slept))
    assert by_product == effective_index(before, after, worn, slept)


def test_20_to_8_both_ways():
    values = (Fraction(20), Fraction(8), Fraction(6), Fraction(15, 2))
    assert mean_alleviation(*values) == Fraction(48, 100)
    assert effective_index(*values) == Fraction(104, 10) == 20 * (1 - Fraction(48, 100))


NOT_KNOWN = rows(
    ("no check-in", (), "20"),
    ("hours slept not told", (check_in(2, nights_worn=7, nights_reported=7, hours_per_night="6"),), "20"),
    ("hours worn not told", (wears(None, "7.5"),), "20"),
    ("nights not told", (wears("6", "7.5", worn=None),), "20"),
    ("of no nights", (wears("6", "7.5", 0, 0),), "20"),
)


@pytest.mark.parametrize(("reports", "before"), NOT_KNOWN)
def test_not_known(reports, before):
    assert alleviation(Decimal(before), Decimal(0), nights_of(*reports)) is None


AT_MOST = rows(
    ("a summary tells means alone", (wears("6", "7.5"),), True),
    ("a night told by itself", (wears("6", "7.5", 1, 1),), False),
    ("a summary beside it", (wears("6", "7.5", 1, 1, 1), wears("6", "7.5", days_ago=9)), True),
)


@pytest.mark.parametrize(("reports", "at_most"), AT_MOST)
def test_means_are_said_as_at_most(reports, at_most):
    found = alleviation(Decimal(20), Decimal(8), nights_of(*reports))
    assert found and found.at_most is at_most
    assert found.sentence.id == ("alleviation.at-most" if at_most else "alleviation.exact")
    assert found.sentence.startswith(f"Mean disease alleviation {'at most ' if at_most else ''}48 %, effective index")


def test_hours_are_shown_in_quarters_and_self_report_is_said():
    found = alleviation(Decimal(20), Decimal(8), nights_of(wears("6.2", "7.4")))
    assert found and (found.hours_worn, found.hours_slept) == (Decimal(6), Decimal("7.25"))
    assert found.sentence == (
        "Mean disease alleviation at most 50 %, effective index at least 9.9 per hour: worn 6 of 7.25 hours of sleep over 7 "
        "nights, as means told by people, give or take half an hour a night."
    )
    assert found.as_data() == {
        "mean_disease_alleviation_percent": Decimal("50.3"),
        "effective_index_per_hour": Decimal("9.9"),
        "hours_worn_per_night": Decimal(6),
        "hours_slept_per_night": Decimal("7.25"),
        "at_most": True,
        "sentence": found.sentence,
        "inputs": [{"reference": "Observation/check-in-2", "version": 1}],
    }


def response(*reports, test=None, **more):
    tests = (baseline(index="20"), test or efficacy(3, "8"))
    found = assess_response(case(sleep_tests=tests, check_ins=reports, **more), DEFAULTS, AS_OF)
    assert found
    return found


def test_in_the_response_only_nights_at_the_tested_setting_count():
    known = response(wears("6", "7.5"), wears("1", "7.5", days_ago=25))
    assert known.alleviation and known.alleviation.percent == 48
    assert known.wear == known.alleviation.sentence
    assert "wear_recent_days" in {t.name for t in known.thresholds}
    assert "Observation/check-in-2" in {s.reference for s in known.inputs}
    assert known.as_data()["alleviation"]["effective_index_per_hour"] == Decimal("10.4")


# What wear leaves of the effect is told by the last 28 nights at the tested setting.
COUNTED_BACK = rows(
    ("nights from 29 days back: too old", (wears("6", "7.5", days_ago=3), wears("0.5", "7.5", days_ago=28)), "48"),
    ("a week up to 28 days back", (wears("6", "7.5", days_ago=3), wears("0.5", "7.5", days_ago=21)), "26"),
    (
        "a later report without hours slept moves nothing",
        (wears("6", "7.5", days_ago=14), check_in(1, nights_reported=7, nights_worn=7, hours_per_night="1")),
        "48",
    ),
    ("the last report is long ago", (wears("6", "7.5", days_ago=60),), None),
)


@pytest.mark.parametrize(("told", "expected"), COUNTED_BACK)
def test_in_the_response_the_last_28_nights_count(told, expected):
    held = {"settings": (setting(90, "2"),), "appliances": (appliance(90),)}
    known = response(*told, test=efficacy(80, "8", at="2"), **held)
    assert (known.alleviation.percent if known.alleviation else None) == dec(expected)


OTHER_SETTING = rows(
    ("another setting at the test", {"test": efficacy(3, "8", at="1")}),
    ("changed since the test", {"settings": (setting(21, "2"), setting(2, "3"))}),
)


@pytest.mark.parametrize("more", OTHER_SETTING)
def test_wear_at_another_setting_says_nothing_of_the_tested_one(more):
    found = response(wears("6", "7.5", days_ago=1), **more)
    assert found.alleviation is None and found.as_data()["alleviation"] is None
    assert found.wear == (
        "What wear leaves of the effect is not known: no night at the setting that was tested tells the hours worn and slept."
    )
    assert found.as_data()["wear"] == found.wear


WITHOUT_A_CLASS = rows(
    ("not worn at the test", efficacy(3, "8", worn=Worn.NO)),
    ("not comparable", efficacy(3, "8", index_name=None)),
)


@pytest.mark.parametrize("test", WITHOUT_A_CLASS)
def test_none_while_the_class_is_withheld(test):
    found = response(wears("6", "7.5", days_ago=1), test=test)
    assert found.alleviation is None
    assert found.wear == "What wear leaves of the effect is not worked out while the class is withheld."
