"""Pages as people use them, in a headless Chromium: the whole loop, the keyboard alone, narrow and wide, without script."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import pytest

from service.demo.messages import LABORATORY, MILLBECK, referral
from service.web import csrf
from tests.web.pages.browser import (
    CORRECTED,
    SETTLED,
    TESTED,
    WIDTHS,
    Demo,
    another_site,
    chromium,
    launched,
    opening,
    running,
)

pytest.importorskip("playwright.sync_api", reason="no playwright: install the dev extra")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: install the dev extra")
pytestmark = [
    pytest.mark.skipif(not chromium(), reason="no Chromium on this machine"),
    pytest.mark.xdist_group("chromium"),
]
Page = Any
Open = Callable[..., Page]


@pytest.fixture(scope="module")
def today() -> date:
    return datetime.now(UTC).date()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, today: date) -> Iterator[Demo]:
    with running(tmp_path_factory.mktemp("pages")) as held:
        held.tell(today)
        yield held


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as held:
        yield held


@pytest.fixture
def open_page(browser: Any, demo: Demo) -> Iterator[Open]:
    with opening(browser, demo.address, 1280, 900, said_besides=("403", "422")) as opened:
        yield opened


def _addresses(demo: Demo) -> dict[str, str]:
    numbers = demo.numbers
    new = numbers["referred two days ago, not yet answered"]
    return {
        "board": "/",
        "board, filtered": "/?whose_move=physician&stage=ready-for-test",
        "board, nothing found": "/?stage=on-hold",
        "physician": "/physician",
        "case, ready": f"/cases/{numbers[SETTLED]}/page",
        "case, tested": f"/cases/{numbers[TESTED]}/page",
        "case, corrected": f"/cases/{numbers[CORRECTED]}/page?history=all",
        "case, new": f"/cases/{new}/page",
        "reasons": f"/cases/{numbers[SETTLED]}/reasons",
        "form, check-in": f"/cases/{numbers[SETTLED]}/forms/check-in",
        "form, setting": f"/cases/{numbers[SETTLED]}/forms/setting",
        "form, assessment": f"/cases/{numbers[SETTLED]}/forms/assessment",
        "form, result": f"/cases/{numbers[TESTED]}/forms/efficacy-test",
        "form, answer": f"/cases/{new}/forms/referral-state",
        "correction": f"/cases/{numbers[SETTLED]}/forms/check-in/c4",
        "withdrawal": f"/cases/{numbers[SETTLED]}/forms/check-in/c4/withdraw",
        "not there": "/cases/AR-NONE/forms/setting",
    }


def _open_all_details(page: Page) -> None:
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_is_wider_than_the_window(open_page: Open, demo: Demo, width: int) -> None:
    page = open_page(width)
    for name, address in _addresses(demo).items():
        if name == "not there":
            continue
        page.goto(address)
        _open_all_details(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_nothing_serious(open_page: Open, demo: Demo, width: int) -> None:
    page = open_page(width, bypass_csp=True)
    found: dict[str, list[str]] = {}
    for name, address in _addresses(demo).items():
        if name == "not there":
            continue
        page.goto(address)
        _open_all_details(page)
        results = axe.Axe().run(page).response
        assert "violations" in results
        serious = [v for v in results["violations"] if v["impact"] in ("serious", "critical")]
        found[name] = [f"{v['id']}: {[n['html'][:120] for n in v['nodes'][:3]]}" for v in serious]
    assert {name: told for name, told in found.items() if told} == {}


def test_axe_would_find_what_is_wrong(open_page: Open) -> None:
    page = open_page(bypass_csp=True)
    page.goto("/")
    page.evaluate("document.querySelector('label[for=stage]').remove()")
    results = axe.Axe().run(page).response
    assert "select-name" in {v["id"] for v in results["violations"]}


def _set(page: Page, **values: str) -> None:
    for name, value in values.items():
        field = page.locator(f"#{name}")
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(value)
        elif field.get_attribute("type") == "checkbox":
            field.check()
        else:
            field.fill(value)


def _enter(page: Page, number: str, form: str, **values: str) -> None:
    """From the case's page through the form and back."""
    page.goto(f"/cases/{number}/page")
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    page.locator(f'a[href="/cases/{number}/forms/{form}"]').first.click()
    _set(page, **values)
    page.locator("main form button").click()
    page.wait_for_url(re.compile(rf"/cases/{number}/page\?done="))
    assert "Stored" in page.locator('[role="status"]').inner_text()


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_the_whole_loop_through_pages_alone(open_page: Open, demo: Demo, today: date, width: int) -> None:
    """Referral and test come from the laboratory's system; everything the two offices do, they do on pages."""

    def ago(days: int) -> str:
        return (today - timedelta(days=days)).isoformat()

    person = ("Harrowgate", f"Wide{width}", "1970-06-01", "female")
    message = referral(ago, f"R-{width}", person, MILLBECK, 80, event_count=152)
    number = demo.post("/intake/referrals", message)["case_number"]
    page = open_page(width)
    page.goto("/")
    page.get_by_label("Case number").fill(number.lower())
    page.get_by_role("button", name="Find").click()
    assert "Referred. It is" in page.locator(".line").inner_text()
    _enter(page, number, "referral-state", state="accepted", on=ago(70))
    _enter(
        page, number, "assessment", assessed_on=ago(69), protrusive_range_mm="11", teeth_upper="14", mobile_teeth="no"
    )
    _enter(page, number, "appliance", delivered_on=ago(50), maximum_advance_mm="6", smallest_step_mm="0.5")
    _enter(page, number, "setting", set_on=ago(50), advance_left_mm="0", advance_right_mm="0")
    loud = {"snoring_0_to_10": "7", "restedness_0_to_10": "4", "epworth_total": "12"}
    worn = {"nights_reported": "7", "nights_worn": "6", "hours_per_night": "6.5", "witnessed_pauses": "no"}
    _enter(page, number, "check-in", reported_on=ago(43), **loud, **worn)
    assert "Keep the appliance at 0 mm on both sides" in page.locator(".week").inner_text()
    _enter(page, number, "setting", set_on=ago(42), advance_left_mm="1", advance_right_mm="1")
    _enter(page, number, "side-effect", reported_on=ago(40), kind="dry mouth", grade_0_to_3="1")
    _enter(page, number, "setting", set_on=ago(30), advance_left_mm="2", advance_right_mm="2")
    quiet = {"snoring_0_to_10": "2", "restedness_0_to_10": "8", "epworth_total": "6"}
    _enter(page, number, "check-in", reported_on=ago(20), **quiet, **worn)
    assert "Setting stable" in page.locator(".reasons").first.inner_text()
    _enter(page, number, "check-in", reported_on=ago(13), **quiet, **worn)
    assert "Ready for test. It is" in page.locator(".line").inner_text()

    page.goto("/physician")
    page.get_by_role("button", name=f"Order the efficacy test for Wide{width} Harrowgate").click()
    page.wait_for_url(re.compile(rf"/cases/{number}/page\?done="))
    assert "Test ordered. It is" in page.locator(".line").inner_text()

    test = {
        "test_number": f"R-{width}-E",
        "performed_on": ago(0),
        "place": "home",
        "test_kind": "home-with-flow",
        "index": "REI",
        "index_events_per_hour": 4,
        "hypopnoea_rule": "3%",
        "scoring": "automatic-reviewed",
        "recording_hours": 6.5,
        "event_count": 26,
        "appliance_worn": True,
        "setting_left_mm": 2,
        "setting_right_mm": 2,
    }
    demo.post(f"/intake/cases/{number}/sleep-tests", {"laboratory": LABORATORY, "test": test})
    page.goto("/physician")
    page.get_by_role("link", name=f"Results and response of Wide{width} Harrowgate").click()
    assert "Complete response" in page.locator("section:has(#response)").inner_text()
    page.goto("/physician")
    page.get_by_role("link", name=f"Record the decision for Wide{width} Harrowgate").click()
    _set(page, decided_on=ago(0), decision="continue-treatment")
    page.get_by_role("button", name="Store").click()
    page.wait_for_url(re.compile(r"\?done=stored"))
    assert "In follow up. It is" in page.locator(".line").inner_text()
    _enter(page, number, "visit", visited_on=ago(0), office="dentist")
    _enter(page, number, "referral-state", state="completed", on=ago(0))
    assert demo.case(number)["stage"] in ("in-follow-up", "closed")


def test_a_form_can_be_filled_and_corrected_with_the_keyboard_alone(open_page: Open, demo: Demo, today: date) -> None:
    page = open_page()
    number = demo.numbers["one week at 1 mm, still snoring"]
    page.goto("/")

    def tab_to(words: str, most: int = 80) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            here = page.evaluate("(document.activeElement.innerText || document.activeElement.id || '')")
            here = " ".join(here.split())
            if here.startswith(words):
                shown = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert shown not in ("none", ""), f"no visible focus on {words}"
                return
        raise AssertionError(f"the keyboard does not lead to {words}")

    tab_to("Teo Brandvold")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/cases/{number}/page")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    tab_to("Setting")
    page.keyboard.press("Enter")
    page.wait_for_url("**/forms/setting")
    tab_to("advance_left_mm")
    page.keyboard.type("1.5")
    page.keyboard.press("Tab")
    page.keyboard.type("15.5")
    page.evaluate("document.querySelector('main form').noValidate = true")
    page.keyboard.press("Enter")
    page.wait_for_selector("#wrong")
    assert page.evaluate("document.activeElement.id") == "wrong"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "advance_right_mm"
    page.keyboard.press("Control+A")
    page.keyboard.type("1.5")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"\?done=stored"))
    assert "1.5 mm on both sides" in page.locator('[role="status"]').inner_text()
    tab_to("Withdraw Setting", 200)
    page.keyboard.press("Enter")
    page.wait_for_url("**/withdraw")
    tab_to("Withdraw it")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"\?done=withdrawn"))
    assert page.locator(".is-withdrawn s").count() == 1


def test_the_browser_checks_numbers_and_days_before_anything_is_sent(open_page: Open, demo: Demo) -> None:
    page = open_page()
    page.goto(f"/cases/{demo.numbers[CORRECTED]}/forms/check-in")
    for name, value in (("snoring_0_to_10", "11"), ("nights_worn", "2.5"), ("reported_on", "2199-01-01")):
        page.locator(f"#{name}").fill(value)
        assert not page.locator(f"#{name}").evaluate("e => e.checkValidity()"), name
    page.locator("main form button").click()
    assert page.url.endswith("/forms/check-in")


def test_pages_work_without_script(open_page: Open, demo: Demo, today: date) -> None:
    page = open_page(390, java_script_enabled=False)
    number = demo.numbers["accepted, the appliance is being made"]
    page.goto("/")
    page.get_by_label("Whose move").select_option("dentist")
    page.get_by_role("button", name="Filter").click()
    page.get_by_role("link", name="Ives Penhallow").click()
    page.get_by_role("link", name="Appliance delivered").click()
    page.get_by_label("Delivered on").fill(today.isoformat())
    page.get_by_label("Furthest advancement, mm").fill("6")
    page.get_by_role("button", name="Store").click()
    assert "Stored: appliance delivered." in page.locator('[role="status"]').inner_text()
    page.locator("summary", has_text="What it rests on").first.click()
    assert demo.case(number)["stage"] == "titrating"
    page.goto(f"/cases/{demo.numbers[TESTED]}/page")
    chart = page.locator("svg.chart.course")
    assert chart.evaluate("e => e.clientWidth") < 320
    letters = chart.locator("text.panel").first
    assert letters.evaluate("e => e.getBoundingClientRect().height") > 11
    assert not page.locator("svg.chart .desk-only").first.is_visible()


def test_a_double_click_stores_once(open_page: Open, demo: Demo, today: date) -> None:
    number = demo.numbers["stable on paper, but nobody has asked the patient"]
    page = open_page()
    page.goto(f"/cases/{number}/forms/visit")
    _set(page, visited_on=today.isoformat(), office="dentist")
    page.get_by_role("button", name="Store").dblclick()
    page.wait_for_url(re.compile(r"\?done="))
    assert page.locator(".entry h3", has_text="Visit").count() == 1


def test_a_form_of_another_site_is_refused(browser: Any, demo: Demo) -> None:
    """A page of another site posts to us from a browser that knows us: the cookie stays away, and nothing is stored."""
    number = demo.numbers[CORRECTED]
    target = f"{demo.address}/cases/{number}/forms/setting"
    fields = {"set_on": "2026-01-01", "advance_left_mm": "1", "advance_right_mm": "1", "entry_id": "planted"}
    inputs = "".join(f'<input name="{k}" value="{v}">' for k, v in fields.items())
    planted = f'<form method="post" action="{target}">{inputs}<button>x</button></form>'
    before = httpx.get(f"{demo.address}/cases/{number}/messages").text
    context = browser.new_context()
    page = context.new_page()
    page.goto(target)
    assert [c["name"] for c in context.cookies()] == [csrf.COOKIE]
    sent: list[Any] = []
    page.on("request", lambda r: sent.append(r) if r.method == "POST" else None)
    with another_site(planted) as elsewhere:
        page.goto(elsewhere)
        page.locator("button").click()
        page.wait_for_url(target)
    assert "Nothing was stored" in page.inner_text("body")
    headers = [r.all_headers() for r in sent]
    assert [h.get("sec-fetch-site") for h in headers] == ["cross-site"]
    assert not [h for h in headers if csrf.COOKIE in h.get("cookie", "")]
    context.close()
    assert httpx.get(f"{demo.address}/cases/{number}/messages").text == before
