"""Plain intake: what each message comes to, and what its answer says."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import Case, example, post, referral, row_counts, second_referral


def test_a_referral_opens_a_case(client: TestClient) -> None:
    answer = post(client, "/intake/referrals", referral())
    assert answer.status_code == 201
    told = load(answer.text)
    assert answer.headers["location"] == f"/cases/{told['case_number']}"
    assert client.get(answer.headers["location"]).status_code == 200
    assert (told["stage"], told["whose_move"], told["as_of"]) == ("referred", "dentist", "2026-11-20")
    assert told["readiness"]["outcome"] == "cannot-say"
    assert "baseline" not in " ".join(told["readiness"]["missing"]).lower()
    assert {r["result"] for r in told["resources"]} == {"created"}
    for resource in told["resources"]:
        assert client.get(f"/fhir/{resource['reference']}").status_code == 200
    assert "not a diagnosis" in told["caution"]


def test_a_repeated_referral_is_the_same_case(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    first = post(client, "/intake/referrals", referral())
    before = row_counts(sqlite_pipeline)
    second = post(client, "/intake/referrals", referral())
    assert second.status_code == 200
    assert second.json()["case_number"] == first.json()["case_number"]
    assert {r["result"] for r in second.json()["resources"]} == {"unchanged"}
    after = row_counts(sqlite_pipeline)
    assert {t: after[t] - before[t] for t in after} == {
        "resource_version": 1,
        "identity": 0,
        "case_row": 0,
        "fact": 0,
        "message": 1,
    }


def test_the_examples_lead_to_a_case_in_follow_up(client: TestClient) -> None:
    case = Case(client)
    steps = [
        ("referral-state", "dental-office/accept", "accepted"),
        ("assessments", "dental-office/assessment", "accepted"),
        ("appliances", "dental-office/appliance", "titrating"),
        ("progress", "dental-office/progress", "ready-for-test"),
        ("test-orders", "physician/test-order", "test-ordered"),
        ("sleep-tests", "sleep-lab/efficacy-test", "tested"),
        ("decisions", "physician/decision", "follow-up"),
        ("referral-state", "dental-office/complete", "in-follow-up"),
    ]
    stages = [(what, case.sent(what, example(name))["stage"]) for what, name, _ in steps]
    assert [stage for _, stage in stages][-1] == "in-follow-up"
    assert "tested" in [stage for _, stage in stages]
    assert len({stage for _, stage in stages}) >= 5


def test_a_correction_replaces_and_an_earlier_revision_is_kept_out(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    corrected = case.send("progress", example("dental-office/correction"))
    assert corrected.status_code == 200
    (response,) = [r for r in corrected.json()["resources"] if r["reference"].startswith("QuestionnaireResponse/")]
    assert (response["result"], response["version"]) == ("updated", 2)
    late = case.sent("progress", example("dental-office/progress"))
    (note,) = late["notes"]
    assert note == "check_ins[1]: a later revision is on record; this one was received and not applied."
    snoring = client.get(f"/fhir/Observation/{response['reference'].split('/')[1]}-snoring")
    assert load(snoring.text)["valueQuantity"]["value"] == 2


def test_a_withdrawn_setting_no_longer_counts(client: TestClient) -> None:
    case = Case(client).fitted()
    entry = {"entry_id": "s1", "set_on": "2026-09-01", "advance_left_mm": 1, "advance_right_mm": 1}
    case.sent("progress", {"settings": [entry]})
    told = case.sent("progress", {"settings": [{**entry, "entered_in_error": True}]})
    (setting,) = [r for r in told["resources"] if r["reference"].startswith("Observation/")]
    assert load(client.get(f"/fhir/{setting['reference']}").text)["status"] == "entered-in-error"
    assert any("setting" in m.lower() for m in told["readiness"]["missing"]), told["readiness"]


@pytest.mark.parametrize("what", ["assessments", "appliances", "progress"])
def test_a_repeated_message_is_unchanged(client: TestClient, what: str) -> None:
    case = Case(client).fitted()
    body = example("dental-office/" + {"assessments": "assessment", "appliances": "appliance"}.get(what, what))
    case.send(what, body)
    again = case.send(what, body)
    assert again.status_code == 200
    assert {r["result"] for r in again.json()["resources"]} == {"unchanged"}


def test_a_cancelled_referral_is_revoked(client: TestClient) -> None:
    case = Case(client)
    told = case.sent("cancellation", {"on": "2026-08-10", "reason": "The patient moved away."})
    assert told["stage"] == "closed"
    assert load(client.get(f"/fhir/{case.referral}").text)["status"] == "revoked"
    task = load(client.get(f"/fhir/{case.task}").text)
    assert (task["status"], task["statusReason"]["text"]) == ("cancelled", "The patient moved away.")


def test_the_same_move_again_is_no_error(client: TestClient) -> None:
    case = Case(client)
    for _ in range(2):
        assert case.send("referral-state", example("dental-office/accept")).status_code == 200
    assert client.get(f"/fhir/{case.task}").headers["etag"] == 'W/"2"'


def test_the_description_of_the_api_names_every_message_and_unit(client: TestClient) -> None:
    told = client.get("/openapi.json").json()
    posts = {p: o["post"] for p, o in told["paths"].items() if p.startswith("/intake/")}
    assert len(posts) == 14
    schema = posts["/intake/cases/{case_number}/progress"]["requestBody"]["content"]["application/json"]["schema"]
    assert set(schema["properties"]) == {"settings", "check_ins", "side_effects", "red_flags"}
    setting = told["components"]["schemas"]["SettingEntry"]["properties"]
    assert (setting["advance_left_mm"]["minimum"], setting["advance_left_mm"]["maximum"]) == (0, 15)


def test_two_patients_are_two_cases(client: TestClient) -> None:
    assert Case(client).number != Case(client, second_referral()).number
