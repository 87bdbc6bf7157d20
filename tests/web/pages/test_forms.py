"""Forms make the same plain messages as the intake, tell problems at their fields, and can be undone by correction."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.web.pages.catalogue import FORMS
from tests.web.messages import Case, example
from tests.web.pages.forms import counts, fill, filled, opened, send

SETTING = {"set_on": "2026-09-01", "advance_left_mm": "1", "advance_right_mm": "1"}
CHECK_IN = {
    "reported_on": "2026-09-08",
    "snoring_0_to_10": "4.5",
    "restedness_0_to_10": "6",
    "nights_reported": "7",
    "nights_worn": "6",
    "hours_per_night": "6,25",
    "witnessed_pauses": "no",
}
RESULT = {
    "laboratory.id": "tarnwick-sleep",
    "laboratory.name": "Tarnwick Sleep Laboratory",
    "test.test_number": "T-2044-E",
    "test.performed_on": "2026-10-19",
    "test.place": "home",
    "test.test_kind": "home-with-flow",
    "test.index": "REI",
    "test.index_events_per_hour": "4.1",
    "test.hypopnoea_rule": "3%",
    "test.scoring": "automatic-reviewed",
    "test.event_count": "27",
    "test.recording_hours": "6.6",
    "test.appliance_worn": "all-night",
    "test.setting_left_mm": "2",
    "test.setting_right_mm": "2",
}
"""The example of a laboratory's message, as it is typed."""


@pytest.fixture
def case(client: TestClient) -> Case:
    return Case(client).fitted()


def _address(case: Case, key: str) -> str:
    return f"/cases/{case.number}/forms/{key}"


def _last_message(case: Case) -> dict[str, Any]:
    return case.client.get(f"/cases/{case.number}/messages").json()["messages"][-1]


def test_a_form_makes_the_plain_message_that_the_intake_takes(case: Case) -> None:
    page = filled(case.client, _address(case, "check-in"), **CHECK_IN)
    kept = _last_message(case)
    assert kept["channel"] == "page progress"
    again = case.send("progress", kept["text"])
    assert again.status_code == 200
    assert {r["result"] for r in again.json()["resources"]} == {"unchanged"}
    assert '"hours_per_night":6.25' in kept["text"].replace(" ", "")
    assert "Stored: check-in. Check-in, 8 Sep 2026: snoring 4.5, restedness 6" in page


def test_every_form_stores_and_leads_back_to_the_case(client: TestClient) -> None:
    case = Case(client)
    told = {
        "referral-state": {"state": "accepted", "on": "2026-08-10"},
        "assessment": {"assessed_on": "2026-08-12", "protrusive_range_mm": "11", "mobile_teeth": "no"},
        "appliance": {"delivered_on": "2026-08-24", "maximum_advance_mm": "5", "smallest_step_mm": "0.5"},
        "setting": SETTING,
        "check-in": CHECK_IN,
        "side-effect": {"reported_on": "2026-09-08", "kind": "dry mouth", "grade_0_to_3": "1"},
        "red-flag": {
            "reported_on": "2026-09-08",
            "kind": "loose-tooth",
            "resolved_on": "2026-09-09",
            "resolved_by": "Dr Teal",
            "action_taken": "Splinted",
        },
        "red-flag-closure": {
            "kind": "drowsy-driving",
            "closed_on": "2026-09-09",
            "office": "physician",
            "closed_by": "Dr Marten",
            "action_taken": "Advised",
        },
        "visit": {"visited_on": "2026-09-10", "office": "dentist"},
        "test-order": {"ordered_on": "2026-09-20"},
        "efficacy-test": RESULT,
        "physician-decision": {"decided_on": "2026-10-20", "decision": "continue-treatment"},
        "cancellation": {"on": "2026-11-01", "reason": "Moved away."},
        "cancellation-answer": {"accept": "no", "on": "2026-11-02", "reason": "The patient stays."},
    }
    assert set(told) == set(FORMS)
    for key, values in told.items():
        assert "Stored" in filled(client, _address(case, key), **values), key


def test_problems_stand_at_the_fields_they_name_and_what_was_typed_stays(case: Case) -> None:
    before = counts(case.client)
    wrong = {**CHECK_IN, "snoring_0_to_10": "11", "epworth_total": "9.5", "nights_worn": "eight"}
    answer = fill(case.client, _address(case, "check-in"), **wrong)
    assert answer.status_code == 422
    intake = case.send(
        "progress",
        '{"check_ins": [{"entry_id": "x", "reported_on": "2026-09-08", "snoring_0_to_10": 11, "epworth_total": 9.5, '
        '"nights_worn": "eight"}]}',
    )
    sentences = {i["expression"][0].split(".")[-1]: i["diagnostics"] for i in intake.json()["issue"]}
    assert set(sentences) == {"snoring_0_to_10", "epworth_total", "nights_worn"}
    for name, sentence in sentences.items():
        place = re.search(rf'<p class="field-wrong" id="{name}-wrong">.*</svg> (.*)</p>', answer.text)
        assert place and place[1] == sentence
        assert re.search(rf'id="{name}"[^>]*aria-describedby="[^"]*{name}-wrong" aria-invalid="true"', answer.text)
        assert f'name="{name}" value="{wrong[name]}"' in answer.text
    assert counts(case.client) == before


def test_a_rule_that_is_broken_is_told_at_its_field(case: Case) -> None:
    late = fill(case.client, _address(case, "setting"), **{**SETTING, "set_on": "2026-12-24"})
    assert late.status_code == 422
    assert "2026-12-24 lies in the future" in late.text
    assert 'id="set_on-wrong"' in late.text
    beyond = fill(case.client, _address(case, "setting"), **{**SETTING, "advance_left_mm": "9"})
    assert beyond.status_code == 422
    assert 'id="advance_left_mm-wrong"' in beyond.text and "9 mm" in beyond.text


def test_a_form_sent_twice_is_one_entry(case: Case) -> None:
    address = _address(case, "setting")
    fields = {**opened(case.client, address), **SETTING}
    first = send(case.client, address, fields)
    before = counts(case.client)["resource_version"]
    second = send(case.client, address, fields)
    assert (first.status_code, second.status_code) == (303, 303)
    assert "done=known" in second.headers["location"]
    page = case.client.get(second.headers["location"]).text
    assert "This was on record already; nothing was stored twice" in page
    after = counts(case.client)["resource_version"]
    assert after - before == 1, "the audit entry alone"


def test_an_entry_is_corrected_in_a_filled_form_and_both_versions_stay_in_sight(case: Case) -> None:
    filled(case.client, _address(case, "setting"), **SETTING)
    page = case.client.get(f"/cases/{case.number}/page").text
    found = re.search(r'href="(/cases/[^"]+/forms/setting/page-[0-9a-f]+)"', page)
    assert found
    fields = opened(case.client, found[1])
    assert (fields["set_on"], fields["advance_left_mm"], fields["revision"]) == ("2026-09-01", "1", "2")
    page = filled(case.client, found[1], advance_right_mm="1.5")
    assert "The correction is stored" in page
    assert "1 mm left and 1.5 mm right" in page
    assert re.search(r'<span class="tag">corrected</span>', page)
    assert re.search(r"<s>1 mm on both sides</s>.*before it was corrected", page)
    assert opened(case.client, found[1])["revision"] == "3"


def test_a_correction_overtaken_by_another_is_not_applied_silently(case: Case) -> None:
    filled(case.client, _address(case, "setting"), **SETTING)
    page = case.client.get(f"/cases/{case.number}/page").text
    address = re.findall(r'href="(/cases/[^"]+/forms/setting/page-[0-9a-f]+)"', page)[0]
    mine = {**opened(case.client, address), "advance_left_mm": "2", "advance_right_mm": "2"}
    for _ in range(2):
        filled(case.client, address, advance_left_mm="1.5", advance_right_mm="1.5")
    filled(case.client, address, advance_left_mm="1.25", advance_right_mm="1.25")
    answer = send(case.client, address, mine)
    told = answer.text if answer.status_code != 303 else case.client.get(answer.headers["location"]).text
    assert "a later revision of this entry is on record" in told.lower()
    assert "2 mm on both sides" not in told.split("Earlier entries")[0].split("History")[1]


def test_a_withdrawn_entry_stays_struck_through_with_the_word(case: Case) -> None:
    flag = {"reported_on": "2026-11-18", "kind": "drowsy-driving"}
    page = filled(case.client, _address(case, "red-flag"), **flag)
    assert "Stop and review" in page
    address = re.findall(r'href="(/cases/[^"]+/forms/red-flag/page-[0-9a-f]+/withdraw)"', page)[0]
    asked = case.client.get(address)
    assert "drowsy driving" in asked.text
    page = filled(case.client, address)
    assert "Stop and review" not in page
    assert re.search(r'<span class="tag">entered in error</span></h3>\s*<p><s>drowsy driving</s>', page)
    again = case.client.get(address)
    assert again.status_code == 422
    assert "entered in error and stays so" in again.text


def test_an_open_red_flag_is_closed_from_the_top_of_the_page(case: Case) -> None:
    page = filled(case.client, _address(case, "red-flag"), reported_on="2026-11-18", kind="drowsy-driving")
    assert page.index("Open red flags</h2>") < page.index("This week for the patient</h2>")
    found = re.search(r'<a class="button" href="([^"]+)">Close<span', page)
    assert found and "red-flag-closure" in found[1]
    address = unescape(found[1])
    fields = opened(case.client, address)
    assert (fields["kind"], fields["office"]) == ("drowsy-driving", "physician")
    page = filled(case.client, address, closed_on="2026-11-19", closed_by="Dr Teal", action_taken="Seen and advised")
    assert "Open red flags" not in page and "Stop and review" not in page
    told = "drowsy driving, closed by Dr Teal for the physician's office. What was done: Seen and advised"
    assert told in unescape(page)


def test_a_side_effect_is_chosen_from_a_list_or_told_in_words(case: Case) -> None:
    address = _address(case, "side-effect")
    filled(case.client, address, reported_on="2026-11-18", kind="jaw pain", grade_0_to_3="1")
    told = {"kind": "other", "kind.other": "lip pain"}
    page = filled(case.client, address, reported_on="2026-11-19", grade_0_to_3="2", **told)
    effects = case.client.get(f"/fhir/Observation?patient={case.patient}&code=side-effect").text
    assert '"lip pain"' in effects and '"jaw pain"' in effects
    corrected = re.findall(rf'href="({address}/[^"/]+)">Correct', page)
    shown = [opened(case.client, place) for place in corrected]
    assert sorted((f["kind"], f["kind.other"]) for f in shown) == [("jaw pain", ""), ("other", "lip pain")]
    wrong = fill(case.client, address, reported_on="2026-11-19", kind="other", grade_0_to_3="1", **{"kind.other": "Ä"})
    assert wrong.status_code == 422 and "lower-case letters are needed" in wrong.text


def test_the_physician_orders_the_test_with_one_action(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    case.sent("progress", example("dental-office/correction"))
    if client.get(f"/cases/{case.number}").json()["stage"] != "ready-for-test":
        _settle(case)
    page = client.get("/physician").text
    assert case.number in page
    assert "Setting stable: met." in page
    found = re.search(rf'<form method="post" action="(/cases/{case.number}/forms/test-order)">(.*?)</form>', page, re.S)
    assert found
    fields = dict(re.findall(r'name="([^"]+)" value="([^"]*)"', found[2]))
    assert fields["proposal"].startswith(f"{case.number}-test-proposal-")
    answer = send(client, found[1], fields)
    assert answer.status_code == 303
    assert "It is <strong" in client.get(answer.headers["location"]).text
    assert client.get(f"/cases/{case.number}").json()["stage"] == "test-ordered"
    orders = client.get(f"/fhir/ServiceRequest?based-on=ServiceRequest/{fields['proposal']}").json()["entry"]
    assert [o["resource"]["intent"] for o in orders] == ["order"]


def _settle(case: Case) -> None:
    case.sent(
        "progress",
        {
            "settings": [{"entry_id": "z1", "set_on": "2026-10-20", "advance_left_mm": 2, "advance_right_mm": 2}],
            "check_ins": [
                {
                    "entry_id": f"z{n}",
                    "reported_on": on,
                    "snoring_0_to_10": 2,
                    "restedness_0_to_10": 8,
                    "epworth_total": 6,
                    "nights_reported": 7,
                    "nights_worn": 7,
                    "hours_per_night": 7,
                }
                for n, on in ((2, "2026-11-08"), (3, "2026-11-15"))
            ],
        },
    )


@pytest.mark.parametrize(
    ("address", "status", "sentence"),
    [
        ("/cases/AR-NONE/page", 404, "There is no case AR-NONE."),
        ("/cases/AR-NONE/forms/setting", 404, "There is no case AR-NONE."),
        ("/cases/AR-NONE/forms/test-order", 404, "There is no case AR-NONE."),
        ("/cases/{number}/forms/nothing", 404, "There is no such form."),
        ("/cases/{number}/forms/setting/none", 404, "There is no entry «none» of that kind"),
        ("/cases/{number}/forms/test-order/none", 404, "Entries of that kind cannot be corrected here."),
        ("/?stage=nowhere", 400, "The board has no such filter."),
        ("/?after=x", 400, "This page of the board is not known"),
    ],
)
def test_what_is_not_there_is_told_on_a_page(case: Case, address: str, status: int, sentence: str) -> None:
    answer = case.client.get(address.format(number=case.number))
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    assert sentence in answer.text


def test_a_body_that_is_no_form_is_refused_on_a_page(case: Case) -> None:
    answer = case.client.post(_address(case, "setting"), json={"set_on": "2026-09-01"})
    assert answer.status_code == 415
    assert "A form is needed here" in answer.text


def test_changes_of_health_are_ticked_one_by_one_and_come_back_ticked(case: Case) -> None:
    ticked = {"health_changes.stroke": "yes", "health_changes.opioid": "yes", "driving": "for-work"}
    page = filled(case.client, _address(case, "check-in"), reported_on="2026-09-08", **ticked)
    assert "health changes stroke and opioid" in page
    kept = _last_message(case)["text"].replace(" ", "")
    assert '"health_changes":["stroke","opioid"]' in kept
    found = re.search(r'href="(/cases/[^"]+/forms/check-in/page-[0-9a-f]+)"', page)
    assert found
    fields = opened(case.client, found[1])
    assert {name: value for name, value in fields.items() if name in ticked} == ticked
    assert "health_changes.pregnancy" not in fields


def test_a_resolution_that_lacks_something_says_so_at_its_field(case: Case) -> None:
    flag = {"reported_on": "2026-11-10", "kind": "loose-tooth", "resolved_on": "2026-11-11"}
    answer = fill(case.client, _address(case, "red-flag"), **flag)
    assert answer.status_code == 422
    assert 'id="resolved_by-wrong"' in answer.text
    assert 'id="action_taken-wrong"' in answer.text


def test_only_the_day_to_start_by_may_be_chosen_ahead(case: Case) -> None:
    page = case.client.get(_address(case, "physician-decision")).text
    days = {name: "max=" in rest for name, rest in re.findall(r'<input id="(decided_on|start_by)"([^>]*)>', page)}
    assert days == {"decided_on": True, "start_by": False}


@pytest.fixture
def tested(case: Case) -> Case:
    """A case whose titration is done, with a test ordered."""
    case.sent("progress", example("dental-office/progress"))
    case.sent("progress", example("dental-office/correction"))
    case.sent("test-orders", {"order_number": "O-1", "ordered_on": "2026-10-01"})
    return case


def test_a_result_that_is_typed_is_the_message_of_a_laboratory_and_gets_its_class(tested: Case) -> None:
    address = _address(tested, "efficacy-test")
    assert f'<a class="button" href="{address}">' in tested.client.get(f"/cases/{tested.number}/page").text
    page = filled(tested.client, address, **RESULT)
    kept = _last_message(tested)
    assert kept["channel"] == "page sleep-tests"
    again = tested.send("sleep-tests", example("sleep-lab/efficacy-test"))
    assert {r["result"] for r in again.json()["resources"]} == {"unchanged"}, "the example, typed"
    assert "Stored: result of an efficacy test." in page
    held = tested.client.get(f"/cases/{tested.number}").json()
    assert held["stage"] == "tested"
    assert held["response"]["outcome"] == "complete"


def test_the_laboratory_of_the_last_test_stands_in_the_form(case: Case) -> None:
    fields = opened(case.client, _address(case, "efficacy-test"))
    laboratory = example("sleep-lab/referral")["laboratory"]
    assert (fields["laboratory.id"], fields["laboratory.name"]) == (laboratory["id"], laboratory["name"])
    assert (fields["test.revision"], fields["test.performed_on"]) == ("1", "")
    other = opened(case.client, f"{_address(case, 'efficacy-test')}?laboratory.name=Another")
    assert (other["laboratory.id"], other["laboratory.name"]) == (laboratory["id"], "Another")


def test_problems_of_a_result_stand_at_its_fields(tested: Case) -> None:
    wrong = {
        "laboratory.id": "",
        "test.test_number": "",
        "test.performed_on": "2026-10-32",
        "test.place": "",
        "test.index_events_per_hour": "201",
        "test.event_count": "2.5",
        "test.t90_percent": "a few",
        "test.odi_drop_percent": "5",
        "test.revision": "0",
    }
    before = counts(tested.client)
    answer = fill(tested.client, _address(tested, "efficacy-test"), **{**RESULT, **wrong})
    assert answer.status_code == 422
    assert {m[1] for m in re.finditer(r'class="field-wrong" id="([^"]+)-wrong"', answer.text)} == set(wrong)
    assert counts(tested.client) == before
    late = fill(tested.client, _address(tested, "efficacy-test"), **{**RESULT, "test.performed_on": "2026-12-24"})
    assert late.status_code == 422 and 'id="test.performed_on-wrong"' in late.text
    alone = fill(tested.client, _address(tested, "efficacy-test"), **RESULT, **{"test.odi_events_per_hour": "3"})
    assert re.search(r'role="alert".*<li>[^<]*belong together', alone.text, re.DOTALL)


def test_an_appliance_worn_for_part_of_the_night_is_told_and_judged_so(tested: Case) -> None:
    part = {
        "test.appliance_worn": "part-of-the-night",
        "test.worn_hours": "3",
        "test.index_covers_worn_hours_only": "no",
        "test.pap_on": "no",
        "test.alcohol": "yes",
    }
    page = filled(tested.client, _address(tested, "efficacy-test"), **(RESULT | part))
    kept = _last_message(tested)["text"].replace(" ", "")
    for told in ('"appliance_worn":"part-of-the-night"', '"worn_hours":3', '"pap_on":false', '"alcohol":true'):
        assert told in kept
    assert "oxygen_on" not in kept, "not told"
    assert tested.client.get(f"/cases/{tested.number}").json()["response"]["outcome"] == "withheld"
    assert "No class" in page


def test_an_index_that_contradicts_its_count_is_stored_and_corrected_by_a_higher_number(tested: Case) -> None:
    address = _address(tested, "efficacy-test")
    page = filled(tested.client, address, **{**RESULT, "test.event_count": "270"})
    assert "Stored: result of an efficacy test." in page
    assert "The laboratory corrects the report of 19 Oct 2026." in unescape(page)
    page = filled(tested.client, address, **{**RESULT, "test.revision": "2"})
    assert "The correction is stored" in page and "The laboratory corrects" not in page
    assert tested.client.get(f"/cases/{tested.number}").json()["response"]["outcome"] == "complete"
