"""Every field of a sleep test goes from the plain message through FHIR to the facts; what contradicts itself is refused."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.commands.case_file import facts_of
from service.errors import Refused
from service.fhir.json_text import parse, write
from service.inbound.sleep_lab import map_referral, map_result
from service.rules.facts import CaseFacts
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, Scoring, TestKind, Worn
from service.rules.sleep_test import ScoredIndex, SleepTest
from service.rules.thresholds import Thresholds
from tests.web.messages import Case, changed, example, issues, post, referral

TEST = {
    "test_number": "T-1",
    "performed_on": "2026-10-19",
    "place": "home",
    "index": "REI",
    "index_events_per_hour": Decimal("4.10"),
    "hypopnoea_rule": "3%",
}
LABORATORY = {"id": "lab", "name": "Lab"}

FIELDS: list[tuple[str, Any, str, Any]] = [
    *(("test_kind", kind.value, "kind", kind) for kind in TestKind),
    ("hypopnoea_rule", "3%", "hypopnoea_rule", HypopnoeaRule.THREE_PERCENT),
    ("rdi_includes_arousals", False, "rdi_with_arousals", False),
    ("monitored_hours", Decimal("6.50"), "monitored_hours", Decimal("6.50")),
    ("sleep_hours", 6, "sleep_hours", Decimal(6)),
    ("nights_in_test", 3, "nights", 3),
    ("minutes_at_or_below_88", 0, "minutes_at_88", Decimal(0)),
    ("supine_hours", Decimal("2.5"), "supine_hours", Decimal("2.5")),
    ("supine_share_percent", 40, "supine_share", Decimal("0.4")),
    ("central_index_events_per_hour", Decimal("0.4"), "central_per_hour", Decimal("0.4")),
    ("central_event_count", 3, "central_count", 3),
    ("obstructive_event_count", 20, "obstructive_count", 20),
    ("mixed_event_count", 0, "mixed_count", 0),
    ("weight_kg", Decimal("84.5"), "weight_kg", Decimal("84.5")),
    ("split_night", True, "split_night", True),
    *(("scoring", scoring.value, "scoring", scoring) for scoring in Scoring),
    ("pap_on", False, "pap_on", False),
    ("positional_device_on", True, "positional_device_on", True),
    ("oxygen_on", True, "oxygen_on", True),
    ("alcohol", False, "alcohol", False),
]
EFFICACY: list[tuple[str, Any, str, Any]] = [
    ("appliance_worn", True, "worn", Worn.ALL_NIGHT),
    ("appliance_worn", False, "worn", Worn.NO),
    *(("appliance_worn", worn.value, "worn", worn) for worn in Worn),
    ("worn_hours", Decimal("3.5"), "worn_hours", Decimal("3.5")),
    ("index_covers_worn_hours_only", True, "index_of_worn_hours", True),
]


def facts(**parts: Any) -> CaseFacts:
    """The facts of a case whose plain messages passed through JSON text."""
    return facts_of(parse(write({"referral": referral(), **parts}).encode()), Thresholds())


def efficacy(**told: Any) -> SleepTest:
    appliance = example("dental-office/appliance")
    known = facts(appliance=appliance, sleep_test={"laboratory": LABORATORY, "test": {**TEST, **told}})
    return next(t for t in known.sleep_tests if t.purpose == "efficacy")


def baseline(**told: Any) -> SleepTest:
    return facts(referral=referral() | {"baseline_test": {**TEST, **told}}).sleep_tests[0]


@pytest.mark.parametrize(("name", "said", "field", "read"), [*FIELDS, *EFFICACY], ids=str)
def test_a_field_of_an_efficacy_test_is_read_as_it_was_sent(name: str, said: Any, field: str, read: Any) -> None:
    held = getattr(efficacy(**{name: said}), field)
    assert (held, str(held)) == (read, str(read))


@pytest.mark.parametrize(("name", "said", "field", "read"), FIELDS, ids=str)
def test_a_field_of_a_baseline_test_is_read_as_it_was_sent(name: str, said: Any, field: str, read: Any) -> None:
    held = getattr(baseline(**{name: said}), field)
    assert (held, str(held)) == (read, str(read))


def test_what_is_not_told_is_unknown() -> None:
    test = efficacy()
    assert test.worn is Worn.UNKNOWN
    assert test.scoring is Scoring.UNKNOWN
    untold = ("kind", "nights", "split_night", "pap_on", "oxygen_on", "alcohol", "worn_hours", "t90_of", "supine_share")
    assert [name for name in untold if getattr(test, name) is not None] == []
    assert test.further_indices == ()


def test_the_time_of_t90_is_told_with_it() -> None:
    test = efficacy(t90_percent=Decimal("4.2"), t90_denominator="sleep")
    assert (test.t90_percent, test.t90_of) == (Decimal("4.2"), Denominator.SLEEP)


@pytest.mark.parametrize("drop", [3, 4])
def test_a_desaturation_index_at_each_drop(drop: int) -> None:
    test = efficacy(odi_events_per_hour=9, odi_drop_percent=drop, other_odi_events_per_hour=Decimal("5.5"))
    assert (test.odi_per_hour, test.odi_drop_percent, test.other_odi_per_hour) == (9, drop, Decimal("5.5"))


def test_further_indices_stand_beside_the_one_that_is_judged_in_their_order() -> None:
    more = [
        {"index": "AHI", "hypopnoea_rule": "3% or arousal", "events_per_hour": Decimal("9.0")},
        {"index": "REI", "hypopnoea_rule": "4%", "events_per_hour": 3},
    ]
    test = efficacy(further_indices=more, event_count=27)
    assert (test.index_name, test.index_per_hour, test.event_count) == (IndexName.REI, Decimal("4.10"), 27)
    assert test.further_indices == (
        ScoredIndex(IndexName.AHI, HypopnoeaRule.THREE_PERCENT_OR_AROUSAL, Decimal("9.0")),
        ScoredIndex(IndexName.REI, HypopnoeaRule.FOUR_PERCENT, Decimal(3)),
    )


def test_a_test_is_made_by_the_laboratory_that_sends_it_unless_another_is_named() -> None:
    one = facts().sleep_tests[0]
    assert one.performer and one.performer.startswith("Organization/")
    other = baseline(performed_by={"id": "hill-sleep", "name": "Hill Sleep"})
    assert other.performer and other.performer != one.performer
    known = facts(referral=referral(baseline_test__performed_by={"id": "ferrygate-dental", "name": "Ferrygate"}))
    assert known.referral and known.sleep_tests[0].performer == known.referral.dental_office


def test_who_made_the_test_performs_the_measures_and_who_sends_it_the_report() -> None:
    test = {**TEST, "performed_by": {"id": "hill-sleep", "name": "Hill Sleep"}}
    drafts = map_result({"laboratory": LABORATORY, "test": test}).drafts
    names = {d.local: d.resource["name"] for d in drafts if d.type == "Organization"}
    performers = {d.type: names[d.resource["performer"][0]["reference"]] for d in drafts if "performer" in d.resource}
    assert performers == {"Observation": "Hill Sleep", "DiagnosticReport": "Lab"}


def test_a_test_made_by_the_sending_laboratory_names_it_once() -> None:
    test = {**TEST, "performed_by": LABORATORY}
    drafts = map_result({"laboratory": LABORATORY, "test": test}).drafts
    assert [d.type for d in drafts] == ["Organization", "Observation", "DiagnosticReport"]


@pytest.mark.parametrize(
    ("told", "place", "words"),
    [
        ({"test_kind": "magic"}, "test.test_kind", "One of polysomnography"),
        ({"appliance_worn": "sometimes"}, "test.appliance_worn", "One of all-night"),
        ({"appliance_worn": 1}, "test.appliance_worn", "One of all-night"),
        ({"nights_in_test": 0}, "test.nights_in_test", "0 days cannot be: 1 to 31"),
        ({"minutes_at_or_below_88": 1441}, "test.minutes_at_or_below_88", "1441 min cannot be"),
        ({"supine_share_percent": 101}, "test.supine_share_percent", "101 % cannot be"),
        ({"sleep_hours": 0}, "test.sleep_hours", "0 h cannot be"),
        ({"other_odi_events_per_hour": 3}, "test", "«other_odi_events_per_hour» needs «odi_drop_percent»"),
        ({"t90_denominator": "sleep"}, "test", "«t90_denominator» needs «t90_percent»"),
        ({"scoring": "guessed"}, "test.scoring", "One of automatic"),
        ({"split_night": "yes"}, "test.split_night", "true or false"),
        ({"central_event_count": Decimal("1.5")}, "test.central_event_count", "whole number"),
        ({"further_indices": [{"index": "AHI", "hypopnoea_rule": "4%", "events_per_hour": 1}] * 7},
         "test.further_indices", "more than 6 entries"),
        ({"further_indices": [{"index": "AHI", "hypopnoea_rule": "4%"}]},
         "test.further_indices[0].events_per_hour", "is required"),
        ({"performed_by": {"id": "x"}}, "test.performed_by.name", "is required"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_at_its_field(told: dict[str, Any], place: str, words: str) -> None:
    with pytest.raises(Refused) as refused:
        map_result({"laboratory": LABORATORY, "test": {**TEST, **told}})
    (problem,) = refused.value.problems
    assert problem.path == place
    assert words in problem.message


def test_a_baseline_test_says_nothing_of_the_appliance() -> None:
    with pytest.raises(Refused):
        map_referral(referral(baseline_test__appliance_worn=True))


def test_a_test_with_every_field_is_stored_and_shown(client: TestClient) -> None:
    case = Case(client).fitted()
    told = {name: said for name, said, _, _ in (*FIELDS, *EFFICACY)}
    told |= {
        "appliance_worn": "part-of-the-night",
        "performed_by": {"id": "hill-sleep", "name": "Hill Sleep"},
        "odi_events_per_hour": 9,
        "odi_drop_percent": 3,
        "other_odi_events_per_hour": 5,
        "t90_percent": 2,
        "t90_denominator": "recording",
        "further_indices": [{"index": "AHI", "hypopnoea_rule": "4%", "events_per_hour": 3}],
    }
    message = changed(example("sleep-lab/efficacy-test"), test={**TEST, **told})
    assert case.send("sleep-tests", message).status_code == 201
    assert case.send("sleep-tests", message).status_code == 200, "a repeat is the same test"


def test_a_test_with_the_appliance_needs_one_on_record(client: TestClient) -> None:
    case = Case(client)
    worn = changed(example("sleep-lab/efficacy-test"), test__appliance_worn="part-of-the-night")
    answer = post(client, f"/intake/cases/{case.number}/sleep-tests", worn)
    assert answer.status_code == 422
    assert "No appliance is on record" in issues(answer)[0][1]
    not_worn = changed(worn, test__appliance_worn=False)
    assert case.send("sleep-tests", not_worn).status_code == 201
