"""Values and units of plain messages arrive in FHIR unchanged, digit for digit; both forms give the same decision."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.build import CASE_APPLIANCE, CASE_PATIENT, CASE_PHYSICIAN, CASE_REFERRAL, Draft, rewrite_references
from service.fhir.codes import codings_of
from service.fhir.json_text import load, parse, write
from service.inbound.dental_office import map_appliance, map_assessment
from service.inbound.physician import map_physician_decision, map_test_order
from service.inbound.progress import map_progress
from service.inbound.sleep_lab import map_referral, map_result
from service.rules import limits
from service.rules.limits import Limit
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.web.messages import Case, example, post, referral

CASE = "AR-00000-00000"
Found = set[tuple[str, str, str]]
"""(code, value as written, unit) of every value in a list of resources."""


def number(limit: Limit, places: int = 3) -> st.SearchStrategy[Decimal]:
    return st.decimals(limit.low, limit.high, places=places, allow_nan=False, allow_infinity=False)


def whole(limit: Limit) -> st.SearchStrategy[int]:
    return st.integers(int(limit.low), int(limit.high))


DAYS = st.dates(date(2020, 1, 1), date(2026, 11, 20)).map(str)

# field of the plain message: (code, unit) of the value in FHIR
SETTING = {"advance_left_mm": ("advance-left", "mm"), "advance_right_mm": ("advance-right", "mm"),
           "percent_of_protrusive_range": ("percent-of-protrusive-range", "%")}  # fmt: skip
ASSESSMENT = {"protrusive_range_mm": ("protrusive-range", "mm"), "overjet_mm": ("32916-9", "mm"),
              "overbite_mm": ("overbite", "mm"), "teeth_upper": ("teeth-upper", ""), "teeth_lower": ("teeth-lower", "")}  # fmt: skip
APPLIANCE = {"maximum_advance_mm": ("maximum-advance", "mm"), "smallest_step_mm": ("smallest-step", "mm"),
             "starting_position_mm": ("starting-position", "mm")}  # fmt: skip
CHECK_IN = {"snoring_0_to_10": ("snoring", "{score}"), "restedness_0_to_10": ("restedness", "{score}"),
            "epworth_total": ("epworth-total", ""), "nights_reported": ("nights-reported", ""),
            "nights_worn": ("nights-worn", ""), "hours_per_night": ("hours-per-night", "h"),
            "hours_slept_per_night": ("hours-slept-per-night", "h"), "weight_kg": ("body-weight-reported", "kg")}  # fmt: skip
SLEEP_TEST = {"index_events_per_hour": ("ahi", "{events}/h"), "event_count": ("event-count", "{events}"),
              "recording_hours": ("recording-time", "h"), "odi_events_per_hour": ("90567-9", "{events}/h"),
              "odi_drop_percent": ("desaturation-drop", "%"), "lowest_spo2_percent": ("lowest-spo2", "%"),
              "t90_percent": ("t90", "%"), "supine_index_events_per_hour": ("supine-index", "{events}/h"),
              "non_supine_index_events_per_hour": ("non-supine-index", "{events}/h"),
              "central_share_percent": ("central-share", "%"), "monitored_hours": ("monitored-time", "h"),
              "sleep_hours": ("sleep-time", "h"), "minutes_at_or_below_88": ("minutes-at-88", "min"),
              "supine_hours": ("supine-time", "h"), "supine_share_percent": ("supine-share", "%"),
              "central_index_events_per_hour": ("central-index", "{events}/h"),
              "central_event_count": ("central-events", "{events}"),
              "obstructive_event_count": ("obstructive-events", "{events}"),
              "mixed_event_count": ("mixed-events", "{events}"), "weight_kg": ("weight-at-test", "kg"),
              "worn_hours": ("worn-hours", "h"), "nights_in_test": ("nights-in-test", ""),
              "setting_left_mm": ("advance-left", "mm"), "setting_right_mm": ("advance-right", "mm")}  # fmt: skip


def expected(body: dict[str, Any], table: dict[str, tuple[str, str]]) -> Found:
    return {(code, str(body[f]), unit) for f, (code, unit) in table.items() if f in body}


def found_in(drafts: list[Draft]) -> Found:
    """Every value of the resources, after a passage through JSON text."""
    found: Found = set()
    for draft in drafts:
        resource = parse(write(draft.resource).encode())
        holders = [(resource["code"], resource)] if "code" in resource else []
        holders += [(c["code"], c) for c in resource.get("component", [])]
        holders += [(p["type"], {"valueQuantity": p["valueQuantity"][0]}) for p in resource.get("property", [])]
        for concept, holder in holders:
            code = codings_of(concept)[0]["code"]
            if "valueQuantity" in holder:
                held = holder["valueQuantity"]
                assert held["system"] == "http://unitsofmeasure.org"
                found.add((code, str(held["value"]), held["code"]))
            elif "valueInteger" in holder:
                found.add((code, str(holder["valueInteger"]), ""))
    return found


@given(
    st.fixed_dictionaries(
        {"advance_left_mm": number(limits.ADVANCE_MM), "advance_right_mm": number(limits.ADVANCE_MM)},
        optional={"percent_of_protrusive_range": number(limits.SHARE_PERCENT)},
    ),
    DAYS,
)
def test_a_setting(values: dict[str, Any], day: str) -> None:
    drafts = map_progress({"settings": [{"entry_id": "s", "set_on": day, **values}]}, CASE).drafts
    assert found_in(drafts) == expected(values, SETTING)
    assert [d.resource["effectiveDateTime"] for d in drafts] == [day]


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "protrusive_range_mm": number(limits.RANGE_MM),
            "overjet_mm": number(limits.OVERBITE_MM),
            "overbite_mm": number(limits.OVERBITE_MM),
            "teeth_upper": whole(limits.TEETH_IN_ARCH),
            "teeth_lower": whole(limits.TEETH_IN_ARCH),
        },
    )
)
def test_an_assessment(values: dict[str, Any]) -> None:
    drafts = map_assessment({"entry_id": "a", "assessed_on": "2026-09-01", **values}, CASE).drafts
    assert found_in(drafts) == expected(values, ASSESSMENT)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "maximum_advance_mm": number(limits.ADVANCE_MM),
            "smallest_step_mm": number(limits.STEP_MM),
            "starting_position_mm": number(limits.POSITION_MM),
        },
    )
)
def test_an_appliance(values: dict[str, Any]) -> None:
    drafts = map_appliance({"entry_id": "a", "delivered_on": "2026-09-01", **values}, CASE).drafts
    assert found_in(drafts) == expected(values, APPLIANCE)


@given(
    st.fixed_dictionaries(
        {"nights_reported": st.just(31), "nights_worn": whole(limits.NIGHTS)},
        optional={
            "snoring_0_to_10": number(limits.SCALE_0_TO_10),
            "restedness_0_to_10": number(limits.SCALE_0_TO_10),
            "epworth_total": whole(limits.EPWORTH_TOTAL),
            "hours_per_night": number(limits.HOURS_PER_NIGHT),
            "hours_slept_per_night": number(limits.HOURS_PER_NIGHT),
            "weight_kg": number(limits.WEIGHT_KG),
        },
    )
)
def test_a_check_in_and_what_is_derived_from_it(values: dict[str, Any]) -> None:
    drafts = map_progress({"check_ins": [{"entry_id": "c", "reported_on": "2026-09-01", **values}]}, CASE).drafts
    assert found_in(drafts[1:]) == expected(values, CHECK_IN)
    answers = [next(iter(i["answer"][0].values())) for i in load(write(drafts[0].resource))["item"]]
    assert sorted(str(a) for a in answers) == sorted([*(str(v) for v in values.values()), "patient"])


@given(
    st.fixed_dictionaries(
        {"index_events_per_hour": number(limits.INDEX_PER_HOUR)},
        optional={
            "event_count": whole(limits.EVENT_COUNT),
            "recording_hours": number(limits.RECORDING_HOURS),
            "lowest_spo2_percent": number(limits.SPO2_PERCENT),
            "t90_percent": number(limits.SHARE_PERCENT),
            "supine_index_events_per_hour": number(limits.INDEX_PER_HOUR),
            "non_supine_index_events_per_hour": number(limits.INDEX_PER_HOUR),
            "central_share_percent": number(limits.SHARE_PERCENT),
            "monitored_hours": number(limits.RECORDING_HOURS),
            "sleep_hours": number(limits.RECORDING_HOURS),
            "minutes_at_or_below_88": number(limits.MINUTES_IN_TEST),
            "supine_hours": number(limits.HOURS_IN_TEST),
            "supine_share_percent": number(limits.SHARE_PERCENT),
            "central_index_events_per_hour": number(limits.INDEX_PER_HOUR),
            "central_event_count": whole(limits.EVENT_COUNT),
            "obstructive_event_count": whole(limits.EVENT_COUNT),
            "mixed_event_count": whole(limits.EVENT_COUNT),
            "weight_kg": number(limits.WEIGHT_KG),
            "worn_hours": number(limits.HOURS_IN_TEST),
            "nights_in_test": whole(limits.NIGHTS_IN_TEST),
            "setting_left_mm": number(limits.ADVANCE_MM),
            "setting_right_mm": number(limits.ADVANCE_MM),
        },
    ),
    st.none() | st.tuples(number(limits.INDEX_PER_HOUR), st.sampled_from([3, 4])),
)
def test_a_sleep_test(values: dict[str, Any], odi: tuple[Decimal, int] | None) -> None:
    if odi:
        values = {**values, "odi_events_per_hour": odi[0], "odi_drop_percent": odi[1]}
    fixed = {"place": "home", "index": "AHI", "hypopnoea_rule": "4%", "appliance_worn": True}
    test = {"test_number": "T", "performed_on": "2026-09-01", **fixed, **values}
    drafts = map_result({"laboratory": {"id": "lab", "name": "Lab"}, "test": test}).drafts
    assert found_in(drafts) == expected(values, SLEEP_TEST)
    report = drafts[-1].resource
    assert [r["reference"] for r in report["result"]] == [d.local for d in drafts[1:-1]]


Make = Callable[[], TestClient]


@pytest.fixture
def new_client(tmp_path: Path) -> Make:
    made: list[TestClient] = []

    def make() -> TestClient:
        url = f"sqlite:///{tmp_path}/{len(made)}.db"
        made.append(TestClient(build_app(Settings(), build_pipeline(Settings(database_url=url), clock=Clock()))))
        return made[-1]

    return make


MESSAGES = (
    ("assessments", "dental-office/assessment", map_assessment),
    ("appliances", "dental-office/appliance", map_appliance),
    ("progress", "dental-office/progress", map_progress),
    ("test-orders", "physician/test-order", map_test_order),
    ("sleep-tests", "sleep-lab/efficacy-test", lambda body, _case: map_result(body)),
    ("decisions", "physician/decision", map_physician_decision),
)


def as_bundle(drafts: list[Draft]) -> dict[str, Any]:
    """The drafts of a whole case as one transaction; what is derived from a check-in is left to the service."""
    addresses = {
        CASE_PATIENT: "urn:new:patient",
        CASE_REFERRAL: "urn:new:referral",
        CASE_PHYSICIAN: "urn:new:physician",
        CASE_APPLIANCE: next(d.local for d in drafts if d.type == "Device"),
    }
    once = {d.local: d for d in drafts if not d.parent}
    entries = [
        {
            "fullUrl": local,
            "resource": rewrite_references(draft.resource, addresses),
            "request": {"method": "POST", "url": draft.type},
        }
        for local, draft in once.items()
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


@pytest.mark.parametrize("count", range(1, len(MESSAGES) + 1))
def test_the_same_facts_by_fhir_give_the_same_decision(new_client: Make, count: int) -> None:
    plain = Case(new_client())
    drafts = map_referral(referral()).drafts
    for what, name, mapping in MESSAGES[:count]:
        plain.sent(what, example(name))
        drafts += mapping(example(name), CASE).drafts
    if count < 2:
        drafts += map_appliance(example("dental-office/appliance"), CASE).drafts
        plain.sent("appliances", example("dental-office/appliance"))
    else:
        plain.sent("referral-state", example("dental-office/accept"))
    client = new_client()
    answer = post(client, "/fhir", as_bundle(drafts))
    assert answer.status_code == 200, answer.text
    number = answer.headers["x-case-number"]
    for state in ("accepted", "in-progress"):
        moved = post(client, f"/intake/cases/{number}/referral-state", {"state": state, "on": "2026-08-24"})
        assert moved.status_code == 200, moved.text

    def decided(client: TestClient, number: str) -> Any:
        told = load(client.get(f"/cases/{number}").text)
        for key in ("case_number", "resources", "inputs_sha256"):
            del told[key]
        for decision in ("readiness", "next_step", "response", "referral_check", "follow_up"):
            if told[decision]:
                del told[decision]["inputs"]
                for criterion in told[decision]["criteria"]:
                    criterion.pop("inputs", None)
        return told

    assert decided(client, number) == decided(plain.client, plain.number)
