"""A story of what the other stories do not show: every measure, withdrawals, refusals, FHIR from outside."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from starlette.testclient import TestClient

from service.fhir.build import sid
from service.fhir.codes import LOCAL, SLEEP_BREATHING_TEST, local
from service.fhir.json_text import load, write
from tests.conftest import Clock
from tests.journeys.parts import EXAM, appliance, check_in, efficacy, referral, setting
from tests.journeys.story import BEGIN, on

_FHIR = {"Content-Type": "application/fhir+json"}
_ALL_MEASURES = {
    "index": "REI",
    "hypopnoea_rule": "4%",
    "place": "laboratory",
    "event_count": 168,
    "odi_events_per_hour": 18.1,
    "odi_drop_percent": 3,
    "lowest_spo2_percent": 81,
    "t90_percent": 4.25,
    "supine_index_events_per_hour": 38.5,
    "non_supine_index_events_per_hour": 12.90,
    "central_share_percent": 2,
    "central_index_events_per_hour": 0.5,
    "central_event_count": 3,
    "obstructive_event_count": 160,
    "mixed_event_count": 5,
    "monitored_hours": 6.75,
    "sleep_hours": 6.5,
    "nights_in_test": 1,
    "minutes_at_or_below_88": 12.5,
    "supine_hours": 2.5,
    "supine_share_percent": 38,
    "weight_kg": 92.4,
}
_DENTIST_S = ("locked-jaw", "loose-tooth", "broken-appliance")
_PHYSICIAN_S = ("drowsy-driving", "worse-sleepiness", "worse-oximetry")


def play(client: TestClient, clock: Clock) -> Iterator[tuple[str, dict[str, Any]]]:
    """Play four cases; yields the answers that are resources and are not stored."""
    yield from _full_case(client, clock)
    yield from _taken_back(client, clock)
    yield from _from_a_fhir_client(client, clock)
    _judged(client, clock)


def _send(client: TestClient, path: str, body: Any, headers: dict[str, str] | None = None) -> Any:
    reply = client.post(path, content=write(body), headers=headers or {"Content-Type": "application/json"})
    assert reply.status_code in (200, 201), f"{path}: {reply.text}"
    return load(reply.text)


def _refused(client: TestClient, path: str, body: Any, headers: dict[str, str] | None = None) -> Any:
    reply = client.post(path, content=write(body), headers=headers or {"Content-Type": "application/json"})
    assert reply.status_code >= 400, f"{path}: {reply.text}"
    return load(reply.text)


def _at(clock: Clock, day: int) -> None:
    clock.now = datetime(BEGIN.year, BEGIN.month, BEGIN.day, 12, tzinfo=UTC) + timedelta(days=day)


def _full_case(client: TestClient, clock: Clock) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every field of every plain message at least once; corrections, withdrawals and every red flag."""
    _at(clock, 120)
    first = referral("X-1", "O'Malley & <Sons>", "Zoë", **_ALL_MEASURES)
    first |= {"pap_history": "declined", "note": "Wears a partial denture.", "epworth_on": f"{on(-9)}T08:00:00Z"}
    first["diagnosis"] = {"system": "snomed-ct", "code": "78275009"}
    case = f"/intake/cases/{_send(client, '/intake/referrals', first)['case_number']}"
    _send(client, f"{case}/referral-state", {"state": "received", "on": on(2)})
    _send(client, f"{case}/referral-state", {"state": "accepted", "on": on(3)})
    _send(client, f"{case}/assessments", {**EXAM, "mobile_teeth": True})
    _send(client, f"{case}/assessments", {**EXAM, "revision": 2, "overbite_mm": -1.5})
    _send(client, f"{case}/appliances", appliance(26))
    yield "same revision", _refused(client, f"{case}/assessments", {**EXAM, "revision": 2, "teeth_upper": 9})
    _send(client, f"{case}/referral-state", {"state": "on-hold", "on": on(27), "reason": "patient abroad"})
    _send(client, f"{case}/referral-state", {"state": "in-progress", "on": on(28), "reason": "patient back"})
    settings = [
        setting("s0", 28, 0.50, percent_of_protrusive_range=55.5),
        setting("s1", 35, 1.5, 1.0, difference_intended=True, reason="Left joint sore", no_further_reason="Joint sore"),
        setting("s2", 42, 2, taken_back_for_side_effect=True, entered_in_error=True),
    ]
    weighed = check_in("c2", 48, 2.0, 8, epworth_total=8, weight_kg=92.40, hours_slept_per_night=7.25)
    heard = {"who_could_hear": "recorder", "recorder_nights": 5, "driving": "for-work", "health_changes": ["stroke"]}
    check_ins = [check_in("c1", 41, 6, 4, reported_by="bed-partner"), weighed, check_in("c3", 49, 2, 8, **heard)]
    _send(client, f"{case}/progress", {"settings": settings, "check_ins": check_ins})
    fewer = {"entry_id": "c2", "revision": 2, "reported_on": f"{on(48)}T07:30:00+02:00", "snoring_0_to_10": 2}
    _send(client, f"{case}/progress", {"check_ins": [fewer]})
    _send(client, f"{case}/progress", {"check_ins": [check_in("c1", 41, 6, 4, entered_in_error=True)]})
    flags = [{"entry_id": f"f-{kind}", "reported_on": on(50), "kind": kind} for kind in (*_DENTIST_S, *_PHYSICIAN_S)]
    pain = {"entry_id": "e1", "reported_on": on(50), "kind": "tooth pain", "grade_0_to_3": 3}
    _send(client, f"{case}/progress", {"red_flags": flags, "side_effects": [pain]})
    cleared = [
        {**flag, "revision": 2, "resolved_on": on(52), "resolved_by": "Dr Teal", "action_taken": "Seen and advised"}
        for flag in flags
        if flag["kind"] in _DENTIST_S
    ]
    _send(client, f"{case}/progress", {"red_flags": cleared, "side_effects": [{**pain, "entered_in_error": True}]})
    for kind in _PHYSICIAN_S:
        closed = {"entry_id": f"c-{kind}", "closed_on": on(52), "kind": kind, "office": "physician"}
        closed |= {"closed_by": "Dr Okonjo-Hale", "action_taken": "Seen and advised"}
        _send(client, f"{case}/red-flag-closures", closed)
    result = efficacy("X-1-E", 60, 9.8, 1.5)
    result["test"] |= {**_ALL_MEASURES, "setting_right_mm": 1, "worn_hours": 6, "appliance_worn": "part-of-the-night"}
    _send(client, f"{case}/sleep-tests", result)
    withdrawn = efficacy("X-1-F", 61, 1.0, 1.5, entered_in_error=True, appliance_worn=False)
    _send(client, f"{case}/sleep-tests", withdrawn)
    _send(client, f"{case}/decisions", {"entry_id": "d1", "decided_on": on(70), "decision": "stop-treatment"})
    _send(client, f"{case}/appliances", appliance(26, ended_on=on(72), revision=2))
    _send(client, f"{case}/referral-state", {"state": "failed", "on": on(73), "reason": "treatment stopped"})
    yield "closed case", _refused(client, f"{case}/progress", {"settings": [setting("s9", 80, 1)]})
    yield "wrong values", _refused(client, f"{case}/progress", {"settings": [setting("s9", 80, 99)], "extra": 1})


def _judged(client: TestClient, clock: Clock) -> None:
    """Tests of one appliance: scored by software alone, at least partial, mostly central with low oxygen; a red flag since."""
    _at(clock, 120)
    case = f"/intake/cases/{_send(client, '/intake/referrals', referral('X-4', 'Quillfeather', 'Noor'))['case_number']}"
    _send(client, f"{case}/referral-state", {"state": "accepted", "on": on(3)})
    _send(client, f"{case}/assessments", EXAM)
    _send(client, f"{case}/appliances", appliance(26))
    _send(client, f"{case}/progress", {"settings": [setting("s0", 26, 1)], "check_ins": [check_in("c1", 41, 2, 8)]})
    hidden = {"central_share_percent": 80, "t90_percent": 42, "lowest_spo2_percent": 68}
    for number, day, index, more in (
        ("X-4-E", 60, 4.0, {"scoring": "automatic"}),
        ("X-4-F", 70, 4.0, {"hypopnoea_rule": "4%"}),
        ("X-4-G", 80, 14.0, hidden),
    ):
        _send(client, f"{case}/sleep-tests", efficacy(number, day, index, 1, **more))
    decided = {"entry_id": "d1", "decided_on": on(90), "decision": "add-positional-therapy", "own_reading": "partial"}
    _send(client, f"{case}/decisions", decided | {"responsible": "dentist", "start_by": on(110)})


def _taken_back(client: TestClient, clock: Clock) -> Iterator[tuple[str, dict[str, Any]]]:
    """A referral with the least a referral needs, cancelled by its sender."""
    _at(clock, 130)
    least = referral("X-2", "Averill", "Jun")
    for name in ("diagnosis", "baseline_test", "epworth_total"):
        del least[name]
    case = f"/intake/cases/{_send(client, '/intake/referrals', least)['case_number']}"
    _send(client, f"{case}/assessments", {"entry_id": "little-found", "assessed_on": on(2), "mobile_teeth": False})
    _send(client, f"{case}/cancellation", {"on": on(3), "reason": "patient moved away"})
    yield "not JSON", load(client.post("/fhir", content=b"{", headers=_FHIR).text)


def _from_a_fhir_client(client: TestClient, clock: Clock) -> Iterator[tuple[str, dict[str, Any]]]:
    """A proposal answered by an order, and Observations that no check-in gave, all sent as FHIR."""
    _at(clock, 140)
    number = _send(client, "/intake/referrals", referral("X-3", "Thorley", "Moss"))["case_number"]
    held = load(client.get(f"/cases/{number}").text)["resources"]
    common: dict[str, Any] = {
        "resourceType": "Observation",
        "basedOn": [{"reference": held["referral"]}],
        "status": "final",
        "category": [{"text": "home diary"}],
        "subject": {"reference": held["patient"]},
        "effectiveDateTime": f"{on(40)}T22:00:00-05:00",
    }
    score = {"value": 3, "unit": "score", "system": "http://unitsofmeasure.org", "code": "{score}"}
    for code, value in (
        ("snoring", {"valueQuantity": score}),
        ("restedness", {"valueQuantity": {**score, "value": 8}}),
        ("epworth-total", {"valueInteger": 6}),
        ("witnessed-pauses", {"valueBoolean": True}),
    ):
        _send(client, "/fhir/Observation", {**common, "code": local(code).concept, **value}, _FHIR)
    yield "proposed by a client", _send(client, "/fhir/ServiceRequest", _request(held, "proposal", "1"), _FHIR)
    yield "ordered by a client", _send(client, "/fhir/ServiceRequest", _request(held, "order", "2"), _FHIR)
    wrong = {**common, "code": {"coding": [{"system": LOCAL, "code": "snoring"}]}, "valueQuantity": {"value": 99}}
    yield "invalid resource", _refused(client, "/fhir/Observation", wrong, _FHIR)
    checked = client.post("/fhir/Observation/$validate", content=write(wrong), headers=_FHIR)
    yield "validated", load(checked.text)
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": wrong}]}
    yield "invalid bundle", _refused(client, "/fhir", bundle, _FHIR)


def _request(held: dict[str, str], intent: str, value: str) -> dict[str, Any]:
    return {
        "resourceType": "ServiceRequest",
        "identifier": [{"system": sid("elsewhere"), "value": value}],
        "basedOn": [{"reference": held["referral"]}],
        "status": "active",
        "intent": intent,
        "code": {"coding": [local("efficacy-test").coding, SLEEP_BREATHING_TEST.coding]},
        "subject": {"reference": held["patient"]},
        "authoredOn": on(60),
        "requester": {"reference": held["physician"]},
    }
