"""Messages that arrive late, twice, out of order and corrected give the same decision as in order, once."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Category, Refused
from service.fhir.facts.treatment import WithdrawnFlagFact
from service.fhir.json_text import load, write_canonical
from service.fhir.read_facts import read
from service.pipeline import Pipeline
from tests.short_run import times
from tests.store.messages import (
    Post,
    accepted,
    assessed,
    check_in,
    delivered,
    example,
    opened_case,
    ordered,
    red_flag,
    referral,
    setting,
    settled_course,
    take,
)
from tests.store.whole import check_whole, rows_of

_VERSIONED = re.compile(r"(\b[A-Z][A-Za-z]+)/[^/\"]+(/_history/\d+)?")
_SIDE_EFFECT = {
    "entry_id": "e1",
    "reported_on": "2026-11-02",
    "kind": "dry mouth",
    "grade_0_to_3": 2,
    "onset": "2026-10-30",
}


def _side_effect(**values: Any) -> Post:
    return Post("progress", {"side_effects": [{**_SIDE_EFFECT, **values}]})


DELIVERY = [delivered(maximum_advance_mm=7), delivered(maximum_advance_mm=5, revision=2)]
"""What comes first in every order: a setting before any delivery is refused."""
COURSE = [
    accepted(),
    assessed(),
    *DELIVERY,
    setting("s0", "2026-08-24", 0),
    setting("s1", "2026-10-20", 2),
    setting("s2", "2026-11-01", 3),
    setting("s2", "2026-11-01", 3, revision=2, entered_in_error=True),
    check_in("c1", "2026-11-06", snoring=9, weight_kg=84.5, epworth_total=9),
    check_in("c1", "2026-11-06", snoring=2, revision=2),
    check_in("c2", "2026-11-13"),
    check_in("c3", "2026-11-18", snoring=9),
    check_in("c3", "2026-11-18", snoring=9, entered_in_error=True),
    _side_effect(),
    _side_effect(grade_0_to_3=0, revision=2),
    red_flag("f1", "2026-11-10", kind="broken-appliance"),
    red_flag("f1", "2026-11-10", kind="broken-appliance", resolved_on="2026-11-11", revision=2),
]


def _decision(pipeline: Pipeline, number: str) -> dict[str, Any]:
    """What a case says, without ids and versions, which tell of the way it came about."""
    case = load(_VERSIONED.sub(r"\1", write_canonical(pipeline.case(number))).replace(number, "CASE"))
    for name in ("inputs_sha256", "resources"):
        del case[name]
    for decision in (case["readiness"], case["next_step"]):
        for part in [decision, *decision["criteria"]]:
            for inputs in ("inputs", "sources"):
                if inputs in part:
                    part[inputs] = sorted(write_canonical(i).replace("\\", "") for i in part[inputs])
    return _without_versions(case)


def _without_versions(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_versions(v) for k, v in value.items() if k != "version"}
    if isinstance(value, list):
        return [_without_versions(v) for v in value]
    return re.sub(r'"version":\d+', '"version":0', value) if isinstance(value, str) else value


def _facts(pipeline_url: str, number: str) -> list[str]:
    """The valid facts of a case, without ids."""
    rows = [f for f in rows_of(pipeline_url)["fact"] if f["case_number"] == number]
    return sorted(_VERSIONED.sub(r"\1", write_canonical(load(f["small"]))) for f in rows)


class _Numbers:
    """Referral numbers, so that one database serves every example of a property."""

    given = 0

    @classmethod
    def next(cls) -> str:
        cls.given += 1
        return f"R-order-{cls.given}"


def _told(pipeline: Pipeline, posts: list[Post]) -> str:
    number = take(pipeline, Post("referrals", referral(_Numbers.next()))).case_number
    for post in posts:
        take(pipeline, post, number)
    return number


def _same_as_in_order(pipeline: Pipeline, database_url: str, posts: list[Post], in_order: list[Post]) -> None:
    first, second = _told(pipeline, in_order), _told(pipeline, posts)
    assert _decision(pipeline, second) == _decision(pipeline, first)
    assert _facts(database_url, second) == _facts(database_url, first)


@pytest.mark.sampled
@pytest.mark.at_length
@given(order=st.permutations(range(len(COURSE))), again=st.lists(st.integers(0, len(COURSE) - 1), max_size=6))
@settings(
    max_examples=times(8, 2),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_order_with_repeats_gives_the_decision_of_the_order_they_happened_in(
    pipeline: Pipeline, database_url: str, order: list[int], again: list[int]
):
    _same_as_in_order(pipeline, database_url, [*DELIVERY, *(COURSE[i] for i in [*order, *again])], COURSE)


def test_backwards_and_everything_twice(pipeline: Pipeline, database_url: str):
    backwards = [p for post in reversed(COURSE) for p in (post, post)]
    _same_as_in_order(pipeline, database_url, [*DELIVERY, *backwards], COURSE)
    check_whole(rows_of(database_url))


def test_the_course_is_one_that_corrections_decide(pipeline: Pipeline):
    """The property would hold of nothing if corrections made no difference."""
    assert pipeline.case(_told(pipeline, COURSE))["stage"] == "ready-for-test"
    uncorrected = [p for p in COURSE if "revision" not in str(p.body) and "entered_in_error" not in str(p.body)]
    assert pipeline.case(_told(pipeline, uncorrected))["stage"] != "ready-for-test"


def _versions(database_url: str, kind: str) -> list[tuple[int, str]]:
    rows = [r for r in rows_of(database_url)["resource_version"] if r["type"] == kind]
    return [(r["version"], load(r["body"])["status"]) for r in sorted(rows, key=lambda r: r["version"])]


def test_a_revision_that_arrives_first_keeps_the_original_out(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [check_in("c1", "2026-11-06", snoring=2, revision=2)])
    answer = take(pipeline, check_in("c1", "2026-11-06", snoring=9, weight_kg=84.5), number)
    assert {o.what for o in answer.outcomes} == {"kept"}
    assert "later revision" in answer.notes[0]
    assert _versions(database_url, "QuestionnaireResponse") == [(1, "amended")]
    assert not [r for r in rows_of(database_url)["resource_version"] if r["id"].endswith("-weight")]
    check_whole(rows_of(database_url))


def test_a_withdrawal_that_arrives_first_keeps_the_original_out(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [check_in("c1", "2026-11-06", entered_in_error=True)])
    answer = take(pipeline, check_in("c1", "2026-11-06", weight_kg=84.5), number)
    assert {o.what for o in answer.outcomes} == {"kept"}
    assert _versions(database_url, "QuestionnaireResponse") == [(1, "entered-in-error")]
    check_whole(rows_of(database_url))


def test_an_entry_withdrawn_twice_is_withdrawn(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [check_in("c1", "2026-11-06", snoring=9), check_in("c1", "2026-11-06", revision=2)])
    take(pipeline, check_in("c1", "2026-11-06", snoring=9, entered_in_error=True), number)
    answer = take(pipeline, check_in("c1", "2026-11-06", revision=2, entered_in_error=True), number)
    assert {o.what for o in answer.outcomes} == {"unchanged"}
    assert _versions(database_url, "QuestionnaireResponse")[-1] == (3, "entered-in-error")


def test_other_content_under_the_same_revision_is_a_conflict(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [check_in("c1", "2026-11-06", snoring=2)])
    before = rows_of(database_url)
    with pytest.raises(Refused) as refused:
        take(pipeline, check_in("c1", "2026-11-06", snoring=3, weight_kg=84.5), number)
    assert [p.category for p in refused.value.problems] == [Category.CONFLICT]
    assert rows_of(database_url) == before


def test_check_ins_before_their_settings_and_an_acceptance_after_the_delivery(pipeline: Pipeline, database_url: str):
    course = settled_course()
    late = [course[2], *reversed(course[3:]), course[1], course[0]]
    _same_as_in_order(pipeline, database_url, late, course)


def test_a_setting_before_any_delivery_is_refused_and_nothing_of_it_is_kept(pipeline: Pipeline, database_url: str):
    number = take(pipeline, Post("referrals", referral(_Numbers.next()))).case_number
    before = _facts(database_url, number)
    with pytest.raises(Refused, match="No appliance had been delivered"):
        take(pipeline, setting("s0", "2026-08-24", 0), number)
    assert _facts(database_url, number) == before


def _state(pipeline: Pipeline, number: str) -> str:
    kind, name = pipeline.case(number)["resources"]["task"].split("/")
    return load(pipeline.resource(kind, name).body)["status"]


def test_a_delivery_repeated_while_the_referral_is_on_hold_leaves_it_on_hold(pipeline: Pipeline):
    number = opened_case(pipeline, settled_course())
    take(pipeline, Post("referral-state", {"state": "on-hold", "on": "2026-11-18", "reason": "away"}), number)
    take(pipeline, delivered(), number)
    take(pipeline, delivered(maximum_advance_mm=4, revision=2), number)
    assert _state(pipeline, number) == "on-hold"


def test_a_delivery_repeated_or_corrected_after_completion_is_taken(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, settled_course())
    take(pipeline, Post("referral-state", example("dental-office/complete.json")), number)
    assert {o.what for o in take(pipeline, delivered(), number).outcomes} == {"unchanged"}
    answer = take(pipeline, delivered(maximum_advance_mm=4, revision=2), number)
    assert "updated" in {o.what for o in answer.outcomes}
    assert _state(pipeline, number) == "completed"
    check_whole(rows_of(database_url))


def test_an_order_repeated_is_one_order(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [*settled_course(), ordered("T-1", "2026-11-20"), ordered("T-1", "2026-11-20")])
    orders = [f for f in rows_of(database_url)["fact"] if load(f["small"])["kind"] == "test-order"]
    assert len(orders) == 1
    assert pipeline.case(number)["stage"] == "test-ordered"


def _closure(entry: str, on: str) -> Post:
    told = {
        "kind": "broken-appliance",
        "office": "dentist",
        "closed_by": "Dr Teal",
        "action_taken": "Mended in the office",
    }
    return Post("red-flag-closures", {"entry_id": entry, "closed_on": on, **told})


def test_a_red_flag_of_a_referral_that_has_ended_stays_open_until_its_office_closes_it(pipeline: Pipeline):
    number = opened_case(pipeline, [*settled_course(), red_flag("f1", "2026-11-18", kind="broken-appliance")])
    take(pipeline, Post("referral-state", {"state": "failed", "on": "2026-11-19", "reason": "Moved away"}), number)
    assert pipeline.case(number)["stage"] == "under-review"
    with pytest.raises(Refused, match="nothing can be added to it"):
        take(pipeline, check_in("c9", "2026-11-19"), number)
    take(pipeline, _closure("z1", "2026-11-19"), number)
    assert pipeline.case(number)["stage"] == "closed"


@pytest.mark.parametrize("code", ["red-flag", "side-effect"])
def test_neither_a_red_flag_nor_a_side_effect_is_cancelled(pipeline: Pipeline, database_url: str, code: str):
    post = red_flag("f1", "2026-11-18") if code == "red-flag" else _side_effect()
    opened_case(pipeline, [*settled_course(), post])
    entries = [load(r["body"]) for r in rows_of(database_url)["resource_version"] if r["type"] == "Observation"]
    (told,) = [e for e in entries if e["code"]["coding"][0]["code"] == code]
    fact, problems = read({**told, "status": "cancelled"}, "Observation")
    assert (fact is None or isinstance(fact, WithdrawnFlagFact)) and [p.path for p in problems] == [
        "Observation.status"
    ]
