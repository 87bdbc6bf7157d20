"""The plan of a message without a database: where it belongs, what it is, who may send it, what it changes."""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from service.access.grant import Office
from service.deciding.snapshot import NotLoaded, Snapshot
from service.errors import Category, Refused
from service.fhir.build import sid
from service.fhir.json_text import load, write
from service.inbound.progress import map_progress
from service.intake.message import Incoming, Received
from service.intake.plan import plan_change
from service.intake.sender import Sender
from tests.intake.memory import Memory, client
from tests.store.messages import (
    accepted,
    assessed,
    check_in,
    delivered,
    example,
    ordered,
    red_flag,
    referral,
    referral_bundle,
    setting,
    settled_course,
)

LAB, DENTIST, PHYSICIAN = Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN
OFFICES = {"lab": LAB, "dental": DENTIST, "medical": PHYSICIAN, "other-dental": DENTIST, "other-medical": PHYSICIAN}
NUMBERS = {"lab": "tarnwick-sleep", "dental": "ferrygate-dental", "medical": "osmere-sleep-medicine"}


@cache
def _ready() -> Memory:
    """One case that is ready for a test, access control off."""
    memory = Memory()
    number = memory.post("referrals", referral()).answer.case_number
    for post in settled_course():
        memory.post(post.door, post.body, number)
    return memory


@pytest.fixture
def memory() -> Memory:
    return copy.deepcopy(_ready())


@pytest.fixture
def number(memory: Memory) -> str:
    return next(iter(memory.cases))


@cache
def _bound() -> Memory:
    """One case of three organisations, referred by the laboratory with access control on."""
    memory = Memory()
    memory.bindings = {
        (("Organization", sid("organization"), number), ""): f"Organization/{name}" for name, number in NUMBERS.items()
    }
    number = memory.post("referrals", referral(), sender=client("lab", LAB)).answer.case_number
    memory.post("referral-state", accepted().body, number, client("dental", DENTIST))
    memory.post("appliances", delivered().body, number, client("dental", DENTIST))
    return memory


def _refused(work: Callable[[], object]) -> list[tuple[Category, str, str]]:
    with pytest.raises(Refused) as refused:
        work()
    return [(p.category, p.message, p.path) for p in refused.value.problems]


def _patient(memory: Memory, number: str) -> dict[str, Any]:
    kind, name = memory.cases[number].patient.split("/")
    return load(memory.versions[kind, name][-1].body)


def _observation(memory: Memory, number: str, **values: Any) -> dict[str, Any]:
    case = memory.cases[number]
    text = write(example("dental-office/setting-observation.json"))
    return load(text.replace("PATIENT", case.patient).replace("CASE", f"CarePlan/{number}")) | values


def _came_to(memory: Memory, door: str, body: dict[str, Any], number: str, sender: Sender | None = None) -> Any:
    """What a message came to: the change and answer, or the problems for which it is refused, which change nothing."""
    before = copy.deepcopy(memory)
    try:
        return memory.post(door, copy.deepcopy(body), number, sender)
    except Refused as refused:
        assert memory == before
        return [(p.category, p.message, p.path) for p in refused.problems]


# --- a plan is a function of what it is given


POSTS = [
    ("referral-state", {"state": "on-hold", "on": "2026-11-19", "reason": "travels"}),
    ("progress", check_in("n1", "2026-11-19").body),
    ("progress", setting("n2", "2026-11-19", 3).body),
    ("progress", red_flag("n3", "2026-11-19").body),
    ("test-orders", ordered("O-1", "2026-11-19").body),
    ("sleep-tests", example("sleep-lab/efficacy-test.json")),
    ("decisions", example("physician/decision.json")),
    ("visits", example("dental-office/visit.json")),
    ("cancellation", {"on": "2026-11-19", "reason": "moved away"}),
    ("completion", {"on": "2026-11-19"}),
]


@pytest.mark.parametrize(("door", "body"), POSTS, ids=lambda v: v if isinstance(v, str) else "")
def test_the_same_snapshot_gives_the_same_change(memory: Memory, number: str, door: str, body: dict[str, Any]) -> None:
    other = copy.deepcopy(memory)
    assert _came_to(memory, door, body, number) == _came_to(other, door, body, number)
    assert memory == other


@pytest.mark.parametrize(("door", "body"), POSTS, ids=lambda v: v if isinstance(v, str) else "")
def test_a_plan_is_made_in_few_rounds(memory: Memory, number: str, door: str, body: dict[str, Any]) -> None:
    try:
        memory.post(door, body, number)
    except Refused:
        return
    assert memory.rounds <= 12, memory.rounds


def test_without_an_answer_a_plan_asks_and_decides_nothing(number: str) -> None:
    body = load(write(check_in("n1", "2026-11-19").body))
    memory = Memory()
    received = Received("intake progress", write(body).encode(), "m", True)
    incoming = Incoming(received, map_progress(body, case_number=number), number)
    with pytest.raises(NotLoaded) as asked:
        plan_change(Snapshot({}), incoming, memory.occasion(), memory.house())
    assert [q.about for q in asked.value.questions] == [(number,)]


# --- identity


REPEATS = [
    ("progress", check_in("c2", "2026-11-13").body, "unchanged"),
    ("progress", setting("s1", "2026-10-20", 2).body, "unchanged"),
    ("assessments", assessed().body, "unchanged"),
    ("appliances", delivered().body, "unchanged"),
    ("progress", check_in("c2", "2026-11-13", 7, revision=2).body, "updated"),
    ("progress", setting("s1", "2026-10-21", 2, revision=2).body, "updated"),
    ("progress", setting("new", "2026-11-19", 3).body, "created"),
]


@pytest.mark.parametrize(("door", "body", "what"), REPEATS)
def test_a_repeat_is_the_same_and_a_correction_the_next_version(
    memory: Memory, number: str, door: str, body: dict[str, Any], what: str
) -> None:
    answer = memory.post(door, body, number).answer
    assert what in {o.what for o in answer.outcomes}
    if what == "unchanged":
        assert {o.what for o in answer.outcomes} == {"unchanged"}


CONFLICTS = [
    ("progress", check_in("c2", "2026-11-13", 9).body),
    ("progress", setting("s1", "2026-10-20", 3).body),
    ("progress", setting("s1", "2026-10-19", 2).body),
]


@pytest.mark.parametrize(("door", "body"), CONFLICTS)
def test_other_content_under_the_same_number_is_a_conflict(
    memory: Memory, number: str, door: str, body: dict[str, Any]
) -> None:
    before = copy.deepcopy(memory)
    (problem,) = _refused(lambda: memory.post(door, body, number))
    assert problem[0] is Category.CONFLICT
    assert "send a correction with a higher revision" in problem[1]
    assert memory == before


def test_a_late_earlier_revision_is_kept_and_not_applied(memory: Memory, number: str) -> None:
    memory.post("progress", setting("s1", "2026-10-21", 2, revision=3).body, number)
    answer = memory.post("progress", setting("s1", "2026-10-22", 2, revision=2).body, number).answer
    assert [o.what for o in answer.outcomes] == ["kept"]
    assert "a later revision is on record" in answer.notes[0]


def test_equal_content_without_a_number_is_one_resource(memory: Memory, number: str) -> None:
    body = {k: v for k, v in _observation(memory, number).items() if k != "identifier"}
    first, second = memory.create(body).answer.outcomes[0], memory.create(body).answer.outcomes[0]
    assert (first.what, second.what) == ("created", "unchanged")
    assert first.reference == second.reference


@pytest.mark.parametrize("taken", [True, False])
def test_a_conditional_create_finds_or_makes(memory: Memory, number: str, taken: bool) -> None:
    system, value = "https://ferrygate.example/settings", "s2-again"
    body = _observation(memory, number)
    if taken:
        memory.create(body)
    answer = memory.create(body, condition=f"identifier={system}|{value}").answer
    assert answer.outcomes[0].what == ("unchanged" if taken else "created")


def test_an_update_at_a_stale_version_is_refused(memory: Memory, number: str) -> None:
    patient = _patient(memory, number) | {"gender": "male"}
    memory.update(patient, version=1)
    (problem,) = _refused(lambda: memory.update(patient | {"gender": "other"}, version=1))
    assert problem[0] is Category.STALE


# --- the case it is about


def _with(body: dict[str, Any], **values: Any) -> dict[str, Any]:
    return body | values


PLACES: list[tuple[str, Callable[[Memory, str], Any], Category, str]] = [
    ("no such case", lambda m, n: m.post("progress", check_in("x", "2026-11-19").body, "AR-0"), Category.NOT_FOUND, "no case"),
    ("an unknown patient", lambda m, n: m.create(_unplaced(_observation(m, n, subject={"reference": "Patient/none"}))),
     Category.NOT_FOUND, "No case of this patient is here"),
    ("a reference to nothing", lambda m, n: m.create(_observation(m, n, encounter={"reference": "Encounter/none"})),
     Category.INVALID, "is not here"),
    ("a reference into nothing", lambda m, n: m.create(_observation(m, n, encounter={"reference": "urn:uuid:none"})),
     Category.INVALID, "leads to nothing"),
    ("another case and its patient", lambda m, n: m.create(_of_two(m, n)), Category.BUSINESS_RULE, "is not the patient of case"),
    ("several cases of the patient", lambda m, n: _second_case(m, n), Category.BUSINESS_RULE, "several cases"),
    ("two cases at once", lambda m, n: _two_cases(m, n), Category.BUSINESS_RULE, "one case"),
    ("an appliance not delivered", lambda m, n: _no_appliance(m), Category.BUSINESS_RULE, "No appliance is on record"),
    ("an update of nothing", lambda m, n: m.take(*_update_of_nothing()), Category.STALE, "is not here, so that there is no version"),
    ("a test of the future", lambda m, n: m.post("progress", check_in("x", "2026-12-24").body, n),
     Category.BUSINESS_RULE, "future"),
    ("beyond the appliance", lambda m, n: m.post("progress", setting("x", "2026-11-19", 14).body, n), Category.BUSINESS_RULE, "mm"),
    ("replaces nothing", lambda m, n: m.post("referrals", _with(referral("R-9"), replaces="R-none")),
     Category.BUSINESS_RULE, "neither a case nor"),
    ("replaces an open referral", lambda m, n: m.post("referrals", _replacing(m, n)), Category.BUSINESS_RULE, "still open"),
    ("a minor", lambda m, n: m.post("referrals", _minor()), Category.BUSINESS_RULE, "18"),
    ("an empty message", lambda m, n: m.post("progress", {}, n), Category.INVALID, "empty"),
]  # fmt: skip


def _of_two(memory: Memory, number: str) -> dict[str, Any]:
    other = memory.post("referrals", referral("R-8")).answer.case_number
    return _observation(memory, number, subject={"reference": memory.cases[other].patient})


def _second_case(memory: Memory, number: str) -> None:
    again = referral("R-8")
    again["patient"]["id"] = referral()["patient"]["id"]
    memory.post("referrals", again)
    memory.create(_unplaced(_observation(memory, number)))


def _two_cases(memory: Memory, number: str) -> None:
    other = memory.post("referrals", referral("R-8")).answer.case_number
    memory.create(
        _observation(memory, number, basedOn=[{"reference": f"CarePlan/{number}"}, {"reference": f"CarePlan/{other}"}])
    )


def _no_appliance(memory: Memory) -> None:
    other = memory.post("referrals", referral("R-8")).answer.case_number
    memory.post("sleep-tests", example("sleep-lab/efficacy-test.json"), other)


def _update_of_nothing() -> tuple[Any, ...]:
    from service.inbound.fhir_single import map_update

    number = {"system": "https://ferrygate.example/patients", "value": "none"}
    body = {
        "resourceType": "Patient",
        "id": "none",
        "identifier": [number],
        "gender": "female",
        "birthDate": "1970-01-01",
        "name": [{"family": "None", "given": ["Nil"]}],
    }
    return Received("fhir update", b"{}", "m", False, "update"), map_update(body, "Patient", "none", 'W/"1"')


def _unplaced(body: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in body.items() if name != "basedOn"}


def _replacing(memory: Memory, number: str) -> dict[str, Any]:
    again = referral("R-9")
    again["patient"]["id"] = referral()["patient"]["id"]
    return again | {"replaces": number}


def _minor() -> dict[str, Any]:
    body = referral("R-7")
    body["patient"]["birth_date"] = "2012-01-01"
    return body


@pytest.mark.parametrize(("what", "work", "category", "words"), PLACES, ids=[p[0] for p in PLACES])
def test_what_has_no_place_is_refused_and_changes_nothing_of_the_case(
    memory: Memory, number: str, what: str, work: Callable[[Memory, str], Any], category: Category, words: str
) -> None:
    case = memory.cases[number]
    problems = _refused(lambda: work(memory, number))
    assert category in {p[0] for p in problems}, problems
    assert any(words in p[1] for p in problems), problems
    assert memory.cases[number] == case


# --- who may send it


MAY = {
    "referral-state": {"dental"},
    "assessments": {"dental"},
    "appliances": {"dental"},
    "progress": {"dental"},
    "test-orders": {"medical"},
    "sleep-tests": {"lab", "medical"},
    "decisions": {"medical"},
    "cancellation": {"medical"},
    "completion": {"medical"},
    "cancellation-answer": {"dental"},
}
SENT: dict[str, dict[str, Any]] = {
    "referral-state": {"state": "on-hold", "on": "2026-11-19", "reason": "travels"},
    "assessments": assessed().body,
    "appliances": delivered().body,
    "progress": setting("n", "2026-11-19", 1).body,
    "test-orders": {**example("physician/test-order.json"), "proposal": None},
    "sleep-tests": example("sleep-lab/efficacy-test.json"),
    "decisions": example("physician/decision.json"),
    "cancellation": {"on": "2026-11-19", "reason": "moved away"},
    "completion": {"on": "2026-11-19"},
    "cancellation-answer": {"on": "2026-11-19", "accept": True},
}


@pytest.mark.parametrize("who", OFFICES)
@pytest.mark.parametrize("door", MAY)
def test_each_office_writes_what_is_its_own(door: str, who: str) -> None:
    memory = copy.deepcopy(_bound())
    number = next(iter(memory.cases))
    found = _came_to(memory, door, SENT[door], number, client(who, OFFICES[who]))
    problems = {problem[0] for problem in found} if isinstance(found, list) else set[Category]()
    if who in MAY[door]:
        assert Category.FORBIDDEN not in problems, found
    else:
        assert problems & {Category.FORBIDDEN, Category.BUSINESS_RULE}, found


SCOPES = [
    ("system/Observation.rs", "progress"),
    ("system/Patient.cruds", "progress"),
]


@pytest.mark.parametrize(("scope", "door"), SCOPES)
def test_a_scope_that_does_not_grant_it_refuses(scope: str, door: str) -> None:
    memory = copy.deepcopy(_bound())
    number = next(iter(memory.cases))
    problems = _refused(lambda: memory.post(door, SENT[door], number, client("dental", DENTIST, scope)))
    assert {p[0] for p in problems} == {Category.FORBIDDEN}
    assert all("scopes do not grant this" in p[1] for p in problems)


def test_a_dental_office_does_not_refer() -> None:
    memory = copy.deepcopy(_bound())
    problems = _refused(lambda: memory.post("referrals", referral("R-5"), sender=client("dental", DENTIST)))
    assert Category.FORBIDDEN in {p[0] for p in problems}


# --- who is a party, and what waits


def test_the_bindings_make_the_parties() -> None:
    memory = _bound()
    (parties,) = (found for name, found in memory.parties.items() if name)
    assert parties == {
        ("Organization/lab", "lab"),
        ("Organization/dental", "fulfiller"),
        ("Organization/medical", "placer"),
    }


@pytest.mark.parametrize("missing", ["dental", "medical"])
@pytest.mark.parametrize("refuses", [True, False])
def test_a_referral_to_an_unbound_office_waits_or_is_refused(missing: str, refuses: bool) -> None:
    memory = Memory(refuses_unknown_offices=refuses)
    memory.bindings = {n: o for n, o in _bound().bindings.items() if not o.endswith(f"/{missing}")}
    if refuses:
        problems = _refused(lambda: memory.post("referrals", referral(), sender=client("lab", LAB)))
        assert "no registered organisation is bound" in problems[0][1] or "named by" in problems[0][1]
        assert not memory.cases
        return
    answer = memory.post("referrals", referral(), sender=client("lab", LAB)).answer
    assert any("kept and not delivered" in p.message for o in answer.outcomes for p in o.warnings)
    assert {row.part for row in memory.waiting} == {"fulfiller" if missing == "dental" else "placer"}
    assert not any(part == "fulfiller" for _, part in memory.parties[answer.case_number])
    assert answer.summary["whose_move"] != "dentist"


def test_with_access_off_nobody_is_a_party(memory: Memory) -> None:
    assert not any(memory.parties.values())


# --- what it changes


def test_a_course_leads_to_ready_and_notifies_each_party_in_turn(memory: Memory, number: str) -> None:
    assert memory.cases[number].stage == "ready-for-test"
    movers = [notice.whose_move for notice in memory.notices]
    assert movers[0] == "dentist"
    assert movers[-1] == "physician"
    assert memory.notices[-1].focus.startswith("ServiceRequest/")


def test_facts_that_decisions_stop_reading_are_marked(memory: Memory, number: str) -> None:
    for week in range(8):
        memory.post("progress", check_in(f"w{week}", f"2026-09-{week * 3 + 1:02}").body, number)
    assert memory.cases[number].stage == "ready-for-test"
    assert {row.id for row in memory.facts.values()} >= {row.id for row in memory.facts.values() if row.spent}


RECORDS = [
    ({"deceasedBoolean": True}, True),
    ({"deceasedDateTime": "2026-11-01"}, True),
    ({"active": False}, True),
    ({"active": True}, False),
    ({"deceasedBoolean": False}, False),
    ({"gender": "male"}, False),
]


@pytest.mark.parametrize(("change", "closes"), RECORDS)
def test_the_record_of_the_patient_closes_every_case(
    memory: Memory, number: str, change: dict[str, Any], closes: bool
) -> None:
    again = referral("R-8")
    again["patient"]["id"] = referral()["patient"]["id"]
    other = memory.post("referrals", again).answer.case_number
    memory.update(_patient(memory, number) | change)
    stages = {memory.cases[n].stage for n in (number, other)}
    assert (stages == {"closed"}) is closes
    if closes:
        undone = {k: v for k, v in _patient(memory, number).items() if k not in change} | {"active": True}
        memory.update(undone)
        assert "closed" not in {memory.cases[n].stage for n in (number, other)}


@pytest.mark.parametrize("change", [{"deceasedBoolean": True}, {"active": False}])
def test_a_patient_out_of_care_opens_no_case(memory: Memory, number: str, change: dict[str, Any]) -> None:
    memory.update(_patient(memory, number) | change)
    again = referral("R-8")
    again["patient"]["id"] = referral()["patient"]["id"]
    problems = _refused(lambda: memory.post("referrals", again))
    assert "opens no case" in problems[0][1]


def test_a_case_of_another_release_is_read_anew_with_its_next_message(memory: Memory, number: str) -> None:
    from dataclasses import replace

    stored = memory.cases[number]
    memory.cases[number] = replace(stored, facts_shape="an earlier one")
    memory.facts = {key: replace(row, content='{"kind":"of no release"}') for key, row in memory.facts.items()}
    memory.post("progress", check_in("n1", "2026-11-19").body, number)
    assert memory.cases[number].facts_shape == stored.facts_shape
    assert memory.cases[number].stage == "ready-for-test"
    assert not any("of no release" in row.content for row in memory.facts.values())


BUNDLES = ["3077", "4077", "5077"]


@pytest.mark.parametrize("number", BUNDLES)
def test_a_transaction_opens_a_case_and_its_repeat_is_the_same(number: str) -> None:
    memory = Memory()
    first = memory.bundle(referral_bundle(number)).answer
    again = memory.bundle(referral_bundle(number)).answer
    assert (first.opened, again.opened) == (True, False)
    assert first.case_number == again.case_number
    assert {o.what for o in again.outcomes} == {"unchanged"}


def test_a_deletion_frees_its_number_and_is_refused_while_something_refers_to_it(memory: Memory, number: str) -> None:
    case = memory.cases[number]
    note = {
        "resourceType": "Communication",
        "identifier": [{"system": "https://ferrygate.example/notes", "value": "n-1"}],
        "status": "completed",
        "subject": {"reference": case.patient},
        "basedOn": [{"reference": case.referral}],
    }
    name = memory.create(note).answer.outcomes[0].reference.partition("/")[2]
    answering = {**note, "identifier": [{"system": "https://ferrygate.example/notes", "value": "n-2"}]}
    second = memory.create(answering | {"inResponseTo": [{"reference": f"Communication/{name}"}]}).answer.outcomes[0]
    problems = _refused(lambda: memory.delete("Communication", name))
    assert problems[0][0] is Category.CONFLICT
    memory.delete("Communication", second.reference.partition("/")[2])
    memory.delete("Communication", name)
    assert not [row for row in memory.numbers if row.id == name]
    assert memory.delete("Communication", name).answer.outcomes[0].what == "gone"
    assert memory.create(note).answer.outcomes[0].what == "created"


def test_one_message_has_every_problem() -> None:
    memory = Memory()
    number = memory.post("referrals", referral()).answer.case_number
    body = {
        "settings": [*setting("a", "2027-01-01", 1).body["settings"], *setting("b", "2027-01-02", 2).body["settings"]]
    }
    assert len(_refused(lambda: memory.post("progress", body, number))) == 2
