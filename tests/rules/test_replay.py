"""The data of a decision: every key, and the same bytes from the same facts, thresholds and day."""

from __future__ import annotations

import json
from decimal import Decimal

from service.rules.kinds import ReferralState
from service.rules.response import assess_response

from .build import AS_OF, DEFAULTS, baseline, case, criterion, efficacy, good_check_in, readiness, setting, stage, step


def written(*answers) -> bytes:
    return json.dumps([a.as_data() for a in answers], default=str).encode()


def everything(facts, thresholds) -> bytes:
    response = assess_response(facts, thresholds, AS_OF)
    assert response
    return written(readiness(facts, AS_OF, thresholds), step(facts, AS_OF, thresholds), response, stage(facts))


def test_the_same_facts_thresholds_and_day_give_the_same_bytes():
    counted = (baseline(event_count=168), efficacy(5, "6", event_count=42))

    def facts():
        return case(sleep_tests=counted, check_ins=(good_check_in(14), good_check_in(2, snoring="7")))

    site = DEFAULTS.with_values({"stable_days": Decimal(21)})
    assert everything(facts(), DEFAULTS) == everything(facts(), DEFAULTS)
    again = DEFAULTS.with_values({"stable_days": Decimal(21)})
    assert everything(facts(), site) == everything(facts(), again) != everything(facts(), DEFAULTS)
    assert b"set by this site; default 14 d" in everything(facts(), site)


def test_a_decision_as_data_key_by_key():
    facts = case(settings=(setting(8, "1"),), check_ins=(good_check_in(1, snoring="7"),))
    data = step(facts).as_data()
    assert data == {
        "rule": "next-titration-step",
        "rule_version": "2.1.0",
        "as_of": "2026-09-30",
        "outcome": "advance",
        "sentence": step(facts).sentence,
        "reason": {
            "id": "step.advance",
            "values": {
                "target": "2 mm on both sides",
                "why": {"id": "step.unsettled", "values": {}},
                "goal": Decimal(2),
            },
        },
        "whose_move": "patient",
        "urgent": False,
        "earliest": None,
        "until": "2026-09-30",
        "target_left_mm": Decimal(2),
        "target_right_mm": Decimal(2),
        "missing": ["the limit"],
        "criteria": data["criteria"],
        "thresholds": data["thresholds"],
        "inputs": [
            {"reference": "Observation/appliance-60", "version": 1},
            {"reference": "Observation/setting-8-1-1", "version": 1},
        ],
    }
    assert data["criteria"][0] == {
        "name": "current-setting",
        "title": "Current setting",
        "status": "met",
        "standing": "met",
        "sentence": "The setting is 1 mm on both sides since 22 Sep 2026.",
        "reason": {"id": "step.setting", "values": {"setting": "1 mm on both sides", "since": "2026-09-22"}},
        "observed": [{"value": Decimal(1), "unit": "mm"}, {"value": Decimal(1), "unit": "mm"}],
        "thresholds": [],
        "inputs": [{"reference": "Observation/setting-8-1-1", "version": 1}],
        "earliest": None,
        "needs": None,
        "missing": None,
        "cites": None,
    }
    assert data["thresholds"][0] == {
        "name": "step_mm",
        "value": Decimal(1),
        "unit": "mm",
        "mark": "common practice",
        "source": "none",
        "meaning": "size of one titration step",
        "set_by_site": False,
        "default": None,
        "cited": "common practice, no source",
    }


def test_what_an_open_point_says_stands_in_the_data():
    waiting = readiness(case(sleep_tests=())).as_data()
    item = next(c for c in waiting["criteria"] if c["name"] == "baseline-known")
    assert item["needs"] == "the sleep laboratory sends the baseline test"
    assert item["missing"] == "a baseline test with an AHI, REI or RDI"
    young = readiness(case(settings=(setting(9, "2"),))).as_data()
    assert next(c for c in young["criteria"] if c["name"] == "setting-stable")["earliest"] == "2026-10-05"


def test_a_criterion_is_found_by_its_name():
    assert readiness(case()).criterion("tolerated") == criterion(case(), "tolerated")
    assert ReferralState.IN_PROGRESS.value == "in-progress"
