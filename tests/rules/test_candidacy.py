"""Cautions on candidacy: boundaries of each, and that none is unknown where facts suffice."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.candidacy import candidacy
from service.rules.course import course_on
from service.rules.facts import CaseFacts, DentalAssessment
from service.rules.source import Moment

from .build import AS_OF, DEFAULTS, ago, baseline, dec, referral, rows, source


def judged(name, test=None, order=None, assessment=None):
    facts = CaseFacts(
        referral=order,
        sleep_tests=(test,) if test else (),
        assessments=(assessment,) if assessment else (),
    )
    found = {c.name: c for c in candidacy(course_on(facts, AS_OF, DEFAULTS), order, DEFAULTS)}
    assert len(found) == 7
    return found[name]


# Central apnoea: more than half of the events and at least 5 per hour (quoted).
CENTRAL = rows(
    ("half is not more than half", "20", "0.5", "met", "10"),
    ("51 % of 20: 10.2 per hour", "20", "0.51", "attention", "10.2"),
    ("51 % of 9: 4.6 per hour", "9", "0.51", "met", "4.6"),
    ("exactly 5 per hour", "8", "0.625", "attention", "5"),
    ("none", "20", "0", "met", "0"),
)


@pytest.mark.parametrize(("index", "share", "status", "central"), CENTRAL)
def test_central_share(index, share, status, central):
    item = judged("central-share", baseline(index=index, central_share=Decimal(share)))
    assert (item.status, [m.value for m in item.observed]) == (status, [Decimal(share), Decimal(central)])
    assert [m.unit for m in item.observed] == ["1", "{events}/h"]
    assert item.inputs


def test_central_events_that_were_counted_make_a_share():
    counted = baseline(index="10.0", event_count=70, central_count=42)
    item = judged("central-share", counted)
    assert (item.status, [m.value for m in item.observed]) == ("attention", [Decimal("0.6"), Decimal(6)])


def test_central_share_not_reported():
    assert judged("central-share", baseline()).status == "unknown"
    assert judged("central-share").status == "unknown"


# Positional: supine at least twice the non-supine index (doi 10.15331/jdsm.6918).
POSITION = rows(
    ("45.91 against 13.94: ratio 3.29 (group means, doi 10.15331/jdsm.6918)", "45.91", "13.94", "attention"),
    ("exactly twice", "20", "10", "attention"),
    ("just under twice", "19.9", "10", "met"),
    ("apnoea on the back only", "8", "0", "attention"),
    ("1 against 0.5: small, but positional", "1", "0.5", "attention"),
    ("none in either position", "0", "0", "met"),
    ("worse on the side", "5", "10", "met"),
    ("supine not reported", None, "10", "unknown"),
    ("non-supine not reported", "20", None, "unknown"),
)


@pytest.mark.parametrize(("supine", "other", "status"), POSITION)
def test_position(supine, other, status):
    item = judged("position", baseline(supine_per_hour=dec(supine), non_supine_per_hour=dec(other)))
    assert item.status == status
    assert ("not positional" in item.sentence) == (status == "met")


def test_position_without_a_test():
    assert judged("position").status == "unknown"


# AHI of 30 or more with no PAP trial, intolerance or stated preference is a caution.
PAP = rows(
    ("29.9: not asked", "29.9", None, None, "met"),
    ("30 and nothing told", "30", None, None, "attention"),
    ("30, not tried", "30", "not tried", None, "attention"),
    ("30, in use: it was tried", "30", "in use", None, "met"),
    ("30, declined", "30", "declined", None, "met"),
    ("30, not tolerated", "30", "not tolerated", None, "met"),
    ("30, not effective", "30", "not effective", None, "met"),
    ("30, contraindicated", "30", None, True, "met"),
    ("30, not contraindicated and not tried", "30", "not tried", False, "attention"),
)


@pytest.mark.parametrize(("index", "told", "contraindicated", "status"), PAP)
def test_pap_history(index, told, contraindicated, status):
    order = replace(referral(), pap_history=told, pap_contraindicated=contraindicated)
    item = judged("pap-history", baseline(index=index), order)
    assert item.status == status
    assert {s.reference for s in item.inputs} == {f"Observation/baseline-120-{index}", "Observation/referral"}


def test_pap_history_without_a_referral_or_an_index():
    assert judged("pap-history", baseline(index="40")).status == "attention"
    assert "nothing is told about PAP" in judged("pap-history", baseline(index="40")).sentence
    assert judged("pap-history").status == "unknown"
    order = replace(referral(), pap_history="not tried")
    assert "PAP is not tried" in judged("pap-history", baseline(index="40"), order).sentence


def examined(**found):
    return DentalAssessment(source("examined"), Moment(ago(5)), **found)


RANGE = rows(
    ("4.9 mm: a strong caution", "4.9", "attention", "unlikely to help"),
    ("5 mm", "5", "attention", "under 6 mm: an appliance may not help"),
    ("5.9 mm", "5.9", "attention", "under 6 mm: an appliance may not help"),
    ("6 mm", "6", "met", "under 6 mm an appliance may not help"),
    ("6.1 mm", "6.1", "met", "under 6 mm an appliance may not help"),
    ("not measured", None, "unknown", "not recorded"),
)


@pytest.mark.parametrize(("mm", "status", "says"), RANGE)
def test_protrusive_range(mm, status, says):
    # Under 6 mm: Petit 2002, doi 10.1164/rccm.2008167; under 5 mm quoted.
    item = judged("protrusive-range", assessment=examined(protrusive_range_mm=dec(mm)))
    assert item.status == status and says in item.sentence


TEETH = rows(
    ("10 in each arch", 10, 10, "met"),
    ("9 above", 9, 14, "attention"),
    ("9 below", 14, 9, "attention"),
    ("few above, lower arch not told", 9, None, "attention"),
    ("enough above, lower arch not told", 12, None, "unknown"),
    ("only the lower arch told, few", None, 4, "attention"),
    ("not told", None, None, "unknown"),
    ("no teeth above", 0, 12, "attention"),
)


@pytest.mark.parametrize(("upper", "lower", "status"), TEETH)
def test_teeth(upper, lower, status):
    item = judged("teeth", assessment=examined(teeth_upper=upper, teeth_lower=lower))
    assert item.status == status
    if status != "unknown":
        assert [m.value for m in item.observed] == [t for t in (upper, lower) if t is not None]


FINDINGS = rows(("found", True, "attention"), ("looked for, none", False, "met"), ("not told", None, "unknown"))


@pytest.mark.parametrize(("seen", "status"), FINDINGS)
def test_mobile_teeth_and_jaw_joint(seen, status):
    mobile = judged("mobile-teeth", assessment=examined(mobile_teeth=seen))
    joint = judged("tmj-disorder", assessment=examined(active_tmj_disorder=seen))
    assert (mobile.status, joint.status) == (status, status)
    assert ("no sign of" in mobile.sentence) == (seen is False)


@pytest.mark.parametrize("name", ["protrusive-range", "teeth", "mobile-teeth", "tmj-disorder"])
def test_no_examination(name):
    assert judged(name).status == "unknown"
