"""The page of a case: where it stands first, each reason with what it rests on, its course as an accessible chart."""

from __future__ import annotations

import re
import threading
from collections import Counter
from html import unescape
from html.parser import HTMLParser
from typing import Any
from xml.etree import ElementTree

import pytest
from sqlalchemy import event
from starlette.testclient import TestClient

from service.fhir.engine import CAUTION
from service.pipeline import Pipeline
from tests.conftest import Clock
from tests.web.messages import Case, changed, example, referral, second_referral
from tests.web.pages.forms import filled

PLANTED = ("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}", "'; --")


@pytest.fixture
def case(client: TestClient) -> Case:
    made = Case(client).fitted()
    made.sent("progress", example("dental-office/progress"))
    return made


def _page(case: Case) -> str:
    answer = case.client.get(f"/cases/{case.number}/page")
    assert answer.status_code == 200
    return answer.text


def _tested(client: TestClient) -> Case:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    case.sent("sleep-tests", example("sleep-lab/efficacy-test"))
    return case


def test_each_reason_has_its_word_value_threshold_mark_and_source(case: Case) -> None:
    page = unescape(_page(case))
    data = case.client.get(f"/cases/{case.number}").json()
    known = {t["name"]: t for t in data["readiness"]["thresholds"]}
    for criterion in data["readiness"]["criteria"]:
        assert criterion["title"] in page
        assert criterion["sentence"] in page
        assert f"<span>{criterion['standing']}</span>" in page
        for name in criterion["thresholds"]:
            assert known[name]["meaning"] in page
            if known[name]["mark"] == "published":
                assert f"published: {known[name]['source']}" in page
        for source in criterion["inputs"]:
            assert f'href="/fhir/{source["reference"]}/_history/{source["version"]}"' in page


def test_every_other_decision_has_its_reasons_on_a_page_of_their_own(case: Case) -> None:
    data = case.client.get(f"/cases/{case.number}").json()
    answer = case.client.get(f"/cases/{case.number}/reasons")
    assert answer.status_code == 200
    page, places = unescape(answer.text), re.findall(r'<h2 id="([a-z-]+)"', answer.text)
    assert places == ["readiness", "step", "follow-up", "referral", "values"]
    assert page.count(f"As of {int(data['as_of'][8:])} Nov 2026") == len(places) and CAUTION in page
    for name in ("readiness", "next_step", "follow_up", "referral_check"):
        known = {t["name"]: t for t in data[name]["thresholds"]}
        assert data[name]["sentence"] in page
        for criterion in data[name]["criteria"]:
            assert {criterion["title"], criterion["sentence"]} <= set(re.findall(r"<(?:h4|p)>([^<]+)</", page))
            assert all(known[t]["meaning"] in page for t in criterion["thresholds"])
            assert not criterion["cites"] or f"<dd>{criterion['cites']}</dd>" in page
            for source in criterion["inputs"]:
                assert f'href="/fhir/{source["reference"]}/_history/{source["version"]}"' in page
    led = re.findall(rf'href="/cases/{case.number}/reasons#([a-z-]+)">Reasons: ([^<]+)<', _page(case))
    assert [place for place, _ in led] == ["step", "follow-up", "referral"]
    assert all(re.fullmatch(r"\d+ (?:not )?[a-z ]+(?:, \d+ [a-z ]+)*", counts) for _, counts in led)
    assert case.client.get("/cases/AR-NONE/reasons").status_code == 404


def test_the_links_of_a_page_lead_somewhere(case: Case) -> None:
    links = set(re.findall(r'href="(/[^"#]*)', unescape(_page(case))))
    assert len(links) > 30
    for link in links:
        assert case.client.get(link).status_code == 200, link


def test_no_result_without_its_caution_and_its_day(client: TestClient, clock: Clock) -> None:
    case = _tested(client)
    for days in (0, 1):
        clock.move(days=days)
        today = f"As of {clock.now.day} Nov 2026"
        page = _page(case)
        assert CAUTION in page
        assert "single night" in page
        sections = re.split(r"<section ", page)[1:]
        told = [s for s in sections if 'class="outcome"' in s or 'class="chart' in s]
        assert len(told) >= 4
        for section in told:
            assert today in section, section[:200]
        for address in ("/", "/physician"):
            listed = client.get(address).text
            cards = re.findall(r'<(?:li class="card|article)[^>]*>.*?</(?:li|article)>', listed, re.S)
            assert cards and all("As of " in card for card in cards)
            assert CAUTION in listed


def test_nothing_is_told_by_colour_alone(case: Case) -> None:
    page = _page(case)
    for item in re.findall(r'<li class="reason \w+">.*?</li>', page, re.S):
        assert re.search(r'<p class="standing"><svg.*?<path.*?</svg> <span>[a-z ]+</span>', item, re.S), item
    chart = _charts(page)[0]
    dashes = {e.get("stroke-dasharray") for e in chart.iter("path") if e.get("class") in ("left", "right")}
    assert dashes == {None, "5 4"}
    snoring = [e.tag for e in chart.iter() if e.get("class") == "snoring-mark"]
    rested = [e.tag for e in chart.iter() if e.get("class") == "rested-mark"]
    assert set(snoring) == {"circle"}
    assert set(rested) == {"rect"}


def _charts(page: str) -> list[ElementTree.Element]:
    """The charts with a title of their own; the page is XML enough for that."""
    titled = re.findall(r'<svg class="chart \w+" role="img".*?</svg>\s*(?=</div>|<table|<details)', page, re.S)
    return [ElementTree.fromstring(text) for text in titled]


def test_the_charts_are_accessible_and_need_no_inline_style(client: TestClient) -> None:
    page = _page(_tested(client))
    charts = _charts(page)
    assert [c.get("class") for c in charts] == ["chart tests", "chart course"]
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for chart in charts:
        assert chart.get("role") == "img"
        named = (chart.get("aria-labelledby") or "").split()
        held = {e.get("id"): e for e in chart}
        assert [held[i].tag for i in named] == ["title", "desc"]
        assert all(held[i].text for i in named)
        inside = {e.tag for e in chart.iter()}
        assert not inside & {"style", "script", "image", "foreignObject"}
        assert not [e for e in chart.iter() if e.get("style")]
    assert 'style="' not in page
    assert "<style" not in page
    assert " on" not in re.sub(r">[^<]*<", "><", page)


def test_the_chart_draws_each_setting_check_in_and_test(client: TestClient) -> None:
    case = _tested(client)
    chart = next(c for c in _charts(_page(case)) if c.get("class") == "chart course")
    message = example("dental-office/progress")
    tips = [e.text or "" for e in chart.iter("title")]
    assert len([t for t in tips if "mm" in t and t.endswith("sides.")]) == len(message["settings"])
    assert len([t for t in tips if t.startswith("Snoring ")]) >= len(message["check_ins"])
    assert len([t for t in tips if t.startswith("Efficacy test of")]) == 1
    assert len([t for t in tips if t.startswith("Baseline test of")]) == 1
    assert any(t.startswith("At one setting since") for t in tips)


def test_the_values_of_the_chart_stand_in_a_table(client: TestClient) -> None:
    case = _tested(client)
    assert f'href="/cases/{case.number}/reasons#values">The values as a table' in _page(case)
    page = unescape(client.get(f"/cases/{case.number}/reasons").text)
    table = page.split('id="values"')[1].split("</table>")[0]
    for words in ("Setting", "Check-in", "Efficacy test", "Baseline test", "Appliance delivered"):
        assert f"<td>{words}</td>" in table


def test_tests_stand_side_by_side_with_their_intervals(client: TestClient) -> None:
    case = _tested(client)
    page = _page(case)
    response = client.get(f"/cases/{case.number}").json()["response"]
    low, high = response["certainty"]["index_after_per_hour"]
    assert f"({low:g} to {high:g})" in page
    assert response["cites"]
    for sentence in (*response["certainty"]["sentences"], *response["cautions"], *response["cites"]):
        assert sentence in unescape(page)


def test_what_this_week_brings_stands_by_itself(case: Case) -> None:
    told = case.client.get(f"/cases/{case.number}").json()["activities"]
    week = next(a for a in told if a["title"] == "This week")
    shown = re.search(r'<p class="step">(.*?)</p>', _page(case), re.S)
    assert shown and " ".join(shown[1].split()) == week["instruction"]


@pytest.mark.parametrize(
    ("steps", "first"),
    [
        ((), "Is the referral complete?"),
        (("progress",), "Ready for an efficacy test?"),
        (("progress", "sleep-tests"), "Response to treatment"),
    ],
)
def test_what_the_stage_is_about_stands_first(client: TestClient, steps: tuple[str, ...], first: str) -> None:
    case = Case(client)
    if steps:
        case.fitted()
    for what in steps:
        case.sent(what, example("sleep-lab/efficacy-test" if what == "sleep-tests" else f"dental-office/{what}"))
    titles = re.findall(r'<h2 id="(?:decision|response|referral|follow-up)">([^<]+)</h2>', _page(case))
    assert titles[0] == first
    assert len(titles) == len(set(titles)) >= 2


def test_a_page_of_a_case_costs_few_statements(case: Case, sqlite_pipeline: Pipeline) -> None:
    _page(case)
    seen: list[str] = []
    engine = sqlite_pipeline._database.engine

    def note(*cursor: Any) -> None:
        if threading.current_thread().name != "read-audit":  # which writes when it gets to it
            seen.append(cursor[2])

    event.listen(engine, "before_cursor_execute", note)
    _page(case)
    assert len([s for s in seen if s.startswith("SELECT")]) <= 8, seen


class _Elements(HTMLParser):
    """Every element of a page with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


@pytest.mark.parametrize("planted", PLANTED)
def test_planted_markup_stays_text_in_every_free_field(client: TestClient, planted: str) -> None:
    message = second_referral(
        patient__family_name=planted,
        patient__given_name=planted,
        physician__family_name=planted,
        physician__practice__name=planted,
        dental_office__name=planted,
        laboratory__name=planted,
        diagnosis__text=planted,
    )
    case = Case(client, message)
    filled(client, f"/cases/{case.number}/forms/referral-state", state="accepted", on="2026-08-10", reason=planted)
    case.sent("appliances", example("dental-office/appliance"))
    case.sent("cancellation", {"on": "2026-11-01", "reason": planted})
    effect = case.observation("side-effect", effectiveDateTime="2026-09-02")
    effect["valueCodeableConcept"] = {"text": planted}
    grade = {"code": {"coding": [{"system": effect["code"]["coding"][0]["system"], "code": "side-effect-grade"}]}}
    effect["component"] = [{**grade, "valueInteger": 1}]
    assert client.post("/fhir/Observation", json=effect).status_code == 201
    form = f"/cases/{case.number}/forms/side-effect"
    typed = client.get(f"{form}?kind={planted}").text
    for page in (_page(case), client.get("/").text, client.get("/physician").text, typed, _search(client, planted)):
        elements = _Elements(page).found
        assert [a for t, a in elements if t == "script"] == [{"src": "/page.js", "defer": None}]
        assert not [t for t, _ in elements if t in ("img", "iframe", "object", "style")]
        assert not [a for _, a in elements if any(name.startswith("on") for name in a)]
        assert "49" not in re.findall(r"<h1[^>]*>([^<]*)", page)
    assert planted in unescape(_page(case))


def _search(client: TestClient, planted: str) -> str:
    return client.get("/", params={"case": planted}).text


def test_a_case_and_the_one_that_replaces_it_link_to_each_other(client: TestClient) -> None:
    first = Case(client)
    first.sent("cancellation", {"on": "2026-08-12", "reason": "Sent twice."})
    again = changed(referral(), referral_number="R-2", baseline_test__test_number="T-2")
    second = Case(client, {**again, "replaces": referral()["referral_number"]})
    assert f'Replaces</dt><dd><a href="/cases/{first.number}/page"' in _page(second)
    assert f'Replaced by</dt><dd><a href="/cases/{second.number}/page"' in _page(first)


def test_an_overfull_case_shows_the_last_entries_and_leads_to_the_rest(client: TestClient) -> None:
    case = Case(client).fitted()
    for month in range(3):
        entries = [
            {
                "entry_id": f"c-{month}-{n}",
                "reported_on": f"2026-{month + 9:02d}-{n % 17 + 1:02d}",
                "snoring_0_to_10": 4,
            }
            for n in range(60)
        ]
        case.sent("progress", {"check_ins": entries})
    page = _page(case)
    assert "Show the whole history" in page
    assert page.count('class="entry"') == 8
    whole = client.get(f"/cases/{case.number}/page?history=all").text
    assert "Show the whole history" not in whole
    days, every = (re.findall(r'<p class="entry-day">([^<]+)</p>', text) for text in (page, whole))
    assert days == every[:8] and days[0] == "17 Nov 2026"
    assert whole.count('class="entry"') > 180


def test_what_was_corrected_stands_among_the_last_entries_and_what_was_withdrawn_in_the_whole_history(
    case: Case,
) -> None:
    told = {"entry_id": "told-late", "reported_on": "2026-11-18", "snoring_0_to_10": 4}
    case.sent("progress", {"check_ins": [told, {**told, "entry_id": "wrong-patient", "reported_on": "2026-11-19"}]})
    case.sent("progress", {"check_ins": [{**told, "snoring_0_to_10": 5, "revision": 2}]})
    wrong = {"entry_id": "wrong-patient", "reported_on": "2026-11-19", "revision": 2, "entered_in_error": True}
    case.sent("progress", {"check_ins": [{**wrong, "snoring_0_to_10": 4}]})
    page, whole = _page(case), case.client.get(f"/cases/{case.number}/page?history=all").text
    corrected = re.compile(r"snoring 5</p>.*?<s>snoring 4</s> .*?before it was corrected", re.S)
    assert corrected.search(page) and corrected.search(whole)
    assert "19 Nov 2026</p>" not in page
    assert re.search(r"19 Nov 2026</p>.*?entered in error.*?<s>snoring 4</s>", whole, re.S)


def test_the_entry_just_withdrawn_is_in_sight_however_old(client: TestClient) -> None:
    case = Case(client).fitted()
    entries = [{"entry_id": f"c-{n}", "reported_on": f"2026-10-{n + 1:02d}", "snoring_0_to_10": 4} for n in range(20)]
    case.sent("progress", {"check_ins": entries})
    case.sent("progress", {"check_ins": [{**entries[0], "revision": 2, "entered_in_error": True}]})
    page = client.get(f"/cases/{case.number}/page?done=withdrawn&form=check-in&entry=c-0").text
    assert "marked as entered in error: check-in. Check-in, 1 Oct 2026: snoring 4." in page
    days = re.findall(r'<p class="entry-day">([^<]+)</p>', page)
    assert days == [*(f"{n} Oct 2026" for n in range(20, 12, -1)), "1 Oct 2026"]


def test_moves_of_the_referral_leave_no_gap_where_older_entries_are_left_out(client: TestClient) -> None:
    """«The referral became accepted» must not stand below the last check-ins as if nothing had come between."""
    case = Case(client).fitted()
    entries = [{"entry_id": f"c-{n}", "reported_on": f"2026-10-{n + 1:02d}", "snoring_0_to_10": 4} for n in range(6)]
    case.sent("progress", {"check_ins": entries})
    effects = [
        {
            "entry_id": f"e-{n}",
            "reported_on": "2026-11-02",
            "kind": "jaw-pain",
            "grade_0_to_3": 1,
            "onset": "2026-11-01",
        }
        for n in range(7)
    ]
    case.sent("progress", {"side_effects": effects})
    assert "The referral became" not in _page(case)
    assert "The referral became" in client.get(f"/cases/{case.number}/page?history=all").text


def test_a_red_flag_is_closed_from_the_page_however_old_it_is(client: TestClient) -> None:
    case = Case(client).fitted()
    flag = {"entry_id": "old-flag", "reported_on": "2026-09-02", "kind": "drowsy-driving"}
    case.sent("progress", {"red_flags": [flag]})
    entries = [{"entry_id": f"c-{n}", "reported_on": f"2026-10-{n + 1:02d}", "snoring_0_to_10": 4} for n in range(20)]
    case.sent("progress", {"check_ins": entries})
    place = f"/cases/{case.number}/forms/red-flag-closure?kind=drowsy-driving&amp;office=physician"
    for address in (f"/cases/{case.number}/page", "/physician"):
        page = client.get(address).text
        assert f'href="{place}">Close' in page
        assert "Drowsy driving or a near miss" in page and "Open since 2 Sep 2026" in page and "was due on" in page
    told = {"kind": "drowsy-driving", "office": "physician", "closed_by": "Dr Teal", "action_taken": "Seen"}
    case.sent("red-flag-closures", {"entry_id": "z1", "closed_on": "2026-11-02", **told})
    assert "Open red flags" not in _page(case)
    assert "closed by Dr Teal for the physician&#39;s office. What was done: Seen" in _page(case)


def test_a_derived_red_flag_stands_beside_reported_ones(client: TestClient) -> None:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    totals = [{"entry_id": f"e{n}", "reported_on": f"2026-11-{n}", "epworth_total": 19} for n in (12, 19)]
    case.sent("progress", {"check_ins": totals, "red_flags": [_flag("locked-jaw", "2026-11-19")]})
    page = _page(case)
    assert list(re.findall(r"<strong>(Worse sleepiness|Locked jaw)</strong>", page)) == [
        "Locked jaw",
        "Worse sleepiness",
    ]
    assert "found by rule from the records" in page


def _flag(kind: str, on: str) -> dict[str, str]:
    return {"entry_id": f"flag-{kind}", "reported_on": on, "kind": kind}


def _states(client: TestClient) -> list[Case]:
    """Cases in which much is said at once."""
    found = []
    for number, changes in enumerate(({}, {"appliance_worn": "unknown"}, {"event_count": 400})):
        case = Case(client, second_referral(referral_number=f"R-{number}", baseline_test__test_number=f"T-{number}"))
        case.fitted()
        case.sent("progress", example("dental-office/progress"))
        result = example("sleep-lab/efficacy-test")
        result["test"] |= {"test_number": f"T-{number}-E", **changes}
        case.sent("sleep-tests", result)
        found.append(case)
    flagged = Case(client, second_referral(referral_number="R-F", baseline_test__test_number="T-F")).fitted()
    flagged.sent("progress", example("dental-office/progress"))
    flagged.sent("progress", {"red_flags": [_flag("drowsy-driving", "2026-11-19"), _flag("loose-tooth", "2026-11-18")]})
    return [*found, flagged]


def test_no_sentence_stands_three_times_on_a_page_and_none_cites_inside(client: TestClient) -> None:
    for case in _states(client):
        page = re.sub(r"<svg.*?</svg>", "", _page(case), flags=re.S)
        notes = r'<details class="sources-of">.*?</details>'
        page = re.sub(notes, "", page, flags=re.S)
        text = unescape(re.sub(r"<[^>]+>", "|", page))
        sentences = [s.strip() for part in text.split("|") for s in re.split(r"(?<=\.) (?=[A-Z])", part)]
        counted = Counter(s for s in sentences if len(s.split()) > 4 and not s.startswith(("As of", "Stored")))
        assert [s for s, times in counted.items() if times > 2] == []
        assert not re.search(r"doi 10|our default|common practice|from memory", text)


def test_a_withheld_class_says_why_and_who_mends_it(client: TestClient) -> None:
    page = unescape(_page(_states(client)[1]))
    assert re.search(r'class="outcome">No class: <span class="outcome-why">the report of', page)
    assert re.search(r"completes the report of [^<]+\. <span class=\"who-acts\">sleep lab</span>", page)
    assert "<h3>Asked of the laboratory</h3>" in page
