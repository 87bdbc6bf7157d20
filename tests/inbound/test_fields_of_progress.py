"""New fields of check-ins, settings, decisions and the referral go from the plain message through FHIR to the facts."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.commands.case_file import facts_of
from service.errors import Refused
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.facts.text import facts_from
from service.fhir.json_text import load
from service.fhir.read_facts import read
from service.inbound.physician import map_physician_decision
from service.inbound.progress import map_progress
from service.rules.facts import CaseFacts, CheckIn, PhysicianDecision, Setting
from service.rules.kinds import Driving, HealthChange, Hearer, Office, OwnReading, PhysicianChoice
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from tests.web.messages import Case, changed, example, issues, post, referral

CHECK_IN = {"entry_id": "c", "reported_on": "2026-09-08"}
SETTING = {"entry_id": "s", "set_on": "2026-09-01", "advance_left_mm": 1, "advance_right_mm": 1}
DECISION = {"entry_id": "d", "decided_on": "2026-10-23", "decision": "keep-titrating"}


def facts(**parts: Any) -> CaseFacts:
    return facts_of({"referral": referral(), **parts}, Thresholds())


def check_in(**told: Any) -> CheckIn:
    """The check-in itself, without the Epworth total that came with the referral."""
    known = facts(progress={"check_ins": [{**CHECK_IN, **told}]}).check_ins
    return next(c for c in known if c.source.reference.startswith("QuestionnaireResponse/"))


def setting(**told: Any) -> Setting:
    fitted = {"entry_id": "a", "delivered_on": SETTING["set_on"]}
    return facts(appliance=fitted, progress={"settings": [{**SETTING, **told}]}).settings[0]


def decision(**told: Any) -> PhysicianDecision:
    return facts(decision={**DECISION, **told}).physician_decisions[0]


ANSWERS: list[tuple[str, Any, Any]] = [
    *(("who_could_hear", hearer.value, hearer) for hearer in Hearer),
    ("recorder_nights", 31, 31),
    *(("driving", driving.value, driving) for driving in Driving),
    ("health_changes", ["stroke", "heart-disease"], (HealthChange.HEART_DISEASE, HealthChange.STROKE)),
    ("health_changes", [change.value for change in HealthChange], tuple(sorted(HealthChange))),
]


@pytest.mark.parametrize(("name", "said", "held"), ANSWERS, ids=str)
def test_a_check_in_may_answer_one_question_alone(name: str, said: Any, held: Any) -> None:
    assert getattr(check_in(**{name: said}), name) == held


@pytest.mark.parametrize(("name", "said", "held"), ANSWERS, ids=str)
def test_the_service_stores_a_check_in_that_answers_one_question(
    client: TestClient, name: str, said: Any, held: Any
) -> None:
    case = Case(client).fitted()
    stored = case.sent("progress", {"check_ins": [{**CHECK_IN, name: said}]})
    (resource,) = [r["reference"] for r in stored["resources"]]
    fact, problems = read(load(client.get(f"/fhir/{resource}").text), "")
    assert fact and problems == []
    known = assemble([StoredFact(Source(resource, 1), fact)]).check_ins[0]
    assert getattr(known, name) == held


def test_what_is_not_asked_is_unknown() -> None:
    held = check_in(snoring_0_to_10=3)
    assert (held.who_could_hear, held.recorder_nights, held.driving, held.health_changes) == (None, None, None, ())


@pytest.mark.parametrize(
    ("told", "place", "words"),
    [
        ({"who_could_hear": "the cat"}, "who_could_hear", "One of bed-partner, recorder or nobody"),
        ({"recorder_nights": 0}, "recorder_nights", "0 days cannot be: 1 to 31"),
        ({"driving": "yes"}, "driving", "One of no, car"),
        ({"health_changes": ["stroke", "stroke"]}, "health_changes", "ach change of health is told once"),
        ({"health_changes": ["flu"]}, "health_changes[0]", "One of heart-disease"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(told: dict[str, Any], place: str, words: str) -> None:
    with pytest.raises(Refused) as refused:
        map_progress({"check_ins": [{**CHECK_IN, **told}]}, "AR-1")
    (problem,) = refused.value.problems
    assert problem.path == f"check_ins[0].{place}"
    assert words in problem.message


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"who_could_hear": {"valueString": "the cat"}}, "bed-partner"),
        ({"recorder_nights": {"valueInteger": 32}}, "31"),
        ({"driving": {"valueBoolean": True}}, "heavy-or-passenger-vehicle"),
        ({"health_changes": {"valueString": "flu"}}, "heart-disease"),
    ],
)
def test_a_questionnaire_response_that_answers_otherwise_is_refused(
    client: TestClient, answers: dict[str, Any], words: str
) -> None:
    case = Case(client).fitted()
    answer = post(client, "/fhir/QuestionnaireResponse", case.check_in(**answers))
    assert answer.status_code == 422
    assert words in " ".join(sentence for _, sentence, _ in issues(answer))


def test_a_questionnaire_response_tells_each_change_of_health_once(client: TestClient) -> None:
    case = Case(client).fitted()
    body = case.check_in(driving={"valueString": "car"}, health_changes={"valueString": "stroke"})
    twice = changed(body, item__1__answer=[{"valueString": "stroke"}, {"valueString": "stroke"}])
    assert post(client, "/fhir/QuestionnaireResponse", twice).status_code == 422
    both = changed(body, item__1__answer=[{"valueString": "stroke"}, {"valueString": "opioid"}])
    assert post(client, "/fhir/QuestionnaireResponse", both).status_code == 201
    other = changed(body, item__0__answer=[{"valueString": "car"}, {"valueString": "no"}])
    assert post(client, "/fhir/QuestionnaireResponse", other).status_code == 422, "the others are answered once"


def test_answers_stand_in_the_order_of_the_questions(client: TestClient) -> None:
    case = Case(client).fitted()
    body = case.check_in(driving={"valueString": "car"}, health_changes={"valueString": "stroke"})
    body["item"].reverse()
    assert post(client, "/fhir/QuestionnaireResponse", body).status_code == 422


def test_the_reasons_of_a_setting() -> None:
    held = setting(reason="Two steps at once", no_further_reason="The joint allows no more")
    assert (held.reason, held.no_further) == ("Two steps at once", "The joint allows no more")
    assert (setting().reason, setting().no_further) == ("", "")


@pytest.mark.parametrize("name", ["reason", "no_further_reason"])
@pytest.mark.parametrize("text", ["", "two\nlines", "x" * 501])
def test_a_reason_is_one_line_of_text(name: str, text: str) -> None:
    with pytest.raises(Refused) as refused:
        map_progress({"settings": [{**SETTING, name: text}]}, "AR-1")
    assert [p.path for p in refused.value.problems] == [f"settings[0].{name}"]


@pytest.mark.parametrize("text", ["x" * 501, "   "])
def test_a_reason_by_fhir_is_bounded_as_well(client: TestClient, text: str) -> None:
    case = Case(client).fitted()
    body = case.setting()
    body["component"].append({"code": {"coding": [body["component"][0]["code"]["coding"][0] | {"code": "setting-reason"}]},
                              "valueString": text})  # fmt: skip
    assert post(client, "/fhir/Observation", body).status_code in (400, 422)


def test_a_decision_with_all_that_belongs_to_it() -> None:
    held = decision(own_reading="non-response", responsible="dentist", start_by="2027-01-15")
    assert held.choice is PhysicianChoice.KEEP_TITRATING
    assert (held.own_reading, held.responsible) == (OwnReading.NON_RESPONSE, Office.DENTIST)
    assert str(held.start_by) == "2027-01-15"
    bare = decision()
    assert (bare.own_reading, bare.responsible, bare.start_by) == (None, None, None)


def test_what_is_to_be_started_may_lie_ahead(client: TestClient) -> None:
    case = Case(client).fitted()
    assert case.send("decisions", {**DECISION, "start_by": "2027-01-15"}).status_code == 201
    ahead = case.send("decisions", {**DECISION, "entry_id": "d2", "decided_on": "2027-01-15"})
    assert ahead.status_code == 422
    assert issues(ahead)[0][2] == "decided_on"


@pytest.mark.parametrize(
    ("told", "place"),
    [
        ({"own_reading": "so-so"}, "own_reading"),
        ({"responsible": "nobody"}, "responsible"),
        ({"start_by": "2027-01-15T10:00:00Z"}, "start_by"),
        ({"start_by": "soon"}, "start_by"),
    ],
)
def test_a_decision_that_cannot_be_is_refused(told: dict[str, Any], place: str) -> None:
    with pytest.raises(Refused) as refused:
        map_physician_decision({**DECISION, **told}, "AR-1")
    assert [p.path for p in refused.value.problems] == [place]


def test_the_referral_names_the_dental_office() -> None:
    known = facts().referral
    assert known and known.dental_office and known.dental_office.startswith("Organization/")


@pytest.mark.parametrize(
    ("performers", "office"),
    [
        ([{"reference": "Organization/1"}, {"reference": "Organization/2"}], "Organization/1"),
        ([{"reference": "Practitioner/1"}, {"reference": "Organization/2"}], None),
        (None, None),
    ],
)
def test_only_an_organisation_that_stands_first_is_the_dental_office(performers: Any, office: str | None) -> None:
    order = example("sleep-lab/referral-bundle")["entry"][-1]["resource"]
    order = {k: v for k, v in order.items() if k != "performer"} | ({"performer": performers} if performers else {})
    fact, problems = read(order, "")
    assert fact and problems == []
    held = assemble([StoredFact(Source("ServiceRequest/1", 1), fact)]).referral
    assert held and held.dental_office == office


def test_a_text_may_hold_a_field_that_is_not_known_here_and_leave_out_what_was_not_reported() -> None:
    texts = (
        '{"kind":"setting","day":"2026-09-01","left_mm":1,"right_mm":1,"colour":"red"}',
        '{"kind":"check-in","day":"2026-09-01","clock":"07:00:00","snoring":3,"mood":7}',
        '{"kind":"red-flag","day":"2026-09-01","red_flag":"locked-jaw","resolved_on":"2026-09-02"}',
        '{"kind":"physician-decision","day":"2026-09-01","choice":"stop-treatment"}',
        '{"kind":"referral","day":"2026-09-01"}',
    )
    known = assemble([StoredFact(Source("Observation/1", 1), fact) for fact in facts_from(texts)])
    assert known.settings[0].reason == ""
    assert known.check_ins[0].snoring == 3
    assert known.red_flags[0].resolved_office is Office.DENTIST
    assert known.physician_decisions[0].own_reading is None
    assert known.referral and known.referral.dental_office is None
