"""A patient's check-in by link, letter and sheet as people see them, in a headless Chromium: narrow, wide, without script."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from tests.web.pages.browser import SETTLED, TESTED, WIDTHS, Demo, chromium, launched, opening, running

pytest.importorskip("playwright.sync_api", reason="no playwright: install the dev extra")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: install the dev extra")
pytestmark = [
    pytest.mark.skipif(not chromium(), reason="no Chromium on this machine"),
    pytest.mark.xdist_group("chromium"),
]
Page = Any
Open = Callable[..., Page]
TITRATING = "one week at 1 mm, still snoring"
SMALLEST_TARGET_PX = 44
"""A common size for what a finger is to hit."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    with running(tmp_path_factory.mktemp("papers")) as held:
        held.tell(datetime.now(UTC).date())
        yield held


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as held:
        yield held


@pytest.fixture
def open_page(browser: Any, demo: Demo) -> Iterator[Open]:
    with opening(browser, demo.address, 390, 844, said_besides=("404",)) as opened:
        yield opened


def link_to(demo: Demo, number: str) -> str:
    answer = httpx.post(f"{demo.address}/intake/cases/{number}/check-in-links", timeout=30)
    assert answer.status_code == 201, answer.text
    return urlsplit(answer.json()["link"]).path


def answered(page: Page, snoring: int = 3, rested: int = 7) -> int:
    """Fill in what is asked, by taps and typing; how many taps it took."""
    taps = 0
    for name, value in (("snoring_0_to_10", snoring), ("restedness_0_to_10", rested)):
        page.locator(f".target:has(input[name={name}][value='{value}'])").click()
        taps += 1
    for name, value in (("nights_worn", "1"), ("hours_per_night", "6.5")):
        page.locator(f"#{name}").click()
        page.keyboard.type(value)
        taps += 1
    for words in ("I do not know", "A little. It goes away"):
        page.locator(".target", has_text=words).click()
        taps += 1
    return taps


def test_a_patient_checks_in_on_a_telephone_with_seven_taps_and_without_script(open_page: Open, demo: Demo) -> None:
    number = demo.numbers[TITRATING]
    page = open_page(390, java_script_enabled=False, has_touch=True)
    page.goto(link_to(demo, number))
    assert "Set the appliance to 2 mm" in page.locator(".week").inner_text()
    taps = answered(page) + 1
    page.get_by_role("button", name="Send").click()
    assert taps == 7
    assert page.locator("h1").inner_text() == "Thank you"
    assert "We have what you told us" in page.locator('[role="status"]').inner_text()
    kept = httpx.get(f"{demo.address}/cases/{number}/messages", timeout=30).json()["messages"][-1]
    assert kept["channel"] == "check-in link" and '"snoring_0_to_10":3' in kept["text"].replace(" ", "")


def test_a_warning_sign_is_answered_before_the_page_is_left(open_page: Open, demo: Demo) -> None:
    number = demo.numbers["stable on paper, but nobody has asked the patient"]
    page = open_page(390)
    page.goto(link_to(demo, number))
    answered(page)
    page.locator(".target", has_text="I got sleepy at the wheel").click()
    page.locator(".target", has_text="My jaw locks").click()
    page.get_by_role("button", name="Send").click()
    assert page.locator("h1").inner_text() == "Please act now"
    shown = [p.inner_text() for p in page.locator(".is-urgent .main-message").all()]
    assert shown[:2] == ["Do not drive until your doctor says it is safe.", "Stop wearing the appliance."]
    first = page.locator(".is-urgent .main-message").last.bounding_box()
    assert first["y"] + first["height"] < 844, "the first advice is seen without scrolling"
    case = demo.case(number)
    assert (case["stage"], case["urgent"]) == ("under-review", True)


def test_targets_are_large_and_close_to_the_thumb(open_page: Open, demo: Demo) -> None:
    page = open_page(390)
    page.goto(link_to(demo, demo.numbers[TITRATING]))
    boxes = [t.bounding_box() for t in page.locator(".target span, .check-in input[type=number]:visible, button").all()]
    assert len(boxes) > 30
    assert [b for b in boxes if min(b["width"], b["height"]) < SMALLEST_TARGET_PX] == []


def test_the_keyboard_alone_is_enough(open_page: Open, demo: Demo) -> None:
    page = open_page(390)
    page.goto(link_to(demo, demo.numbers[TITRATING]))
    page.locator("input[name=snoring_0_to_10]").first.focus()
    page.keyboard.press("Space")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    assert page.locator("input[name=snoring_0_to_10]:checked").get_attribute("value") == "4"
    outline = page.evaluate("getComputedStyle(document.activeElement.nextElementSibling).outlineStyle")
    assert outline == "solid"


def _addresses(demo: Demo) -> dict[str, str]:
    ready, tested = demo.numbers[SETTLED], demo.numbers[TESTED]
    new = demo.numbers["referred two days ago, not yet answered"]
    return {
        "letter, ready": f"/cases/{ready}/letter",
        "letter, tested": f"/cases/{tested}/letter",
        "letter, new": f"/cases/{new}/letter",
        "sheet, ready": f"/cases/{ready}/sheet",
        "sheet, new": f"/cases/{new}/sheet",
        "no link": f"/cases/{tested}/check-in-link",
        "check-in": link_to(demo, demo.numbers[TITRATING]),
        "link that does not hold": "/check-in/x",
    }


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_the_new_pages_fit_and_axe_finds_nothing_serious(open_page: Open, demo: Demo, width: int) -> None:
    page = open_page(width, bypass_csp=True)
    wide: dict[str, int] = {}
    found: dict[str, list[str]] = {}

    def look(name: str) -> None:
        page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        wide[name] = page.evaluate("document.documentElement.scrollWidth")
        violations = axe.Axe().run(page).response["violations"]
        found[name] = [
            f"{v['id']}: {[n['html'][:120] for n in v['nodes'][:3]]}"
            for v in violations
            if v["impact"] in ("serious", "critical")
        ]

    for name, address in _addresses(demo).items():
        page.goto(address)
        look(name)
        if name == "check-in":
            answered(page)
            page.locator(".target", has_text="A tooth is loose").click()
            with page.expect_navigation():
                page.get_by_role("button", name="Send").click()
            look("check-in, answered")
    page.goto(f"/cases/{demo.numbers[SETTLED]}/check-in-link")
    with page.expect_navigation():
        page.get_by_role("button", name="link").first.click()
    look("link, made")
    assert {name: held for name, held in wide.items() if held > width} == {}
    assert {name: told for name, told in found.items() if told} == {}


def test_an_office_makes_a_link_and_the_patient_opens_it(open_page: Open, demo: Demo) -> None:
    page = open_page(1280)
    page.goto(f"/cases/{demo.numbers[SETTLED]}/page")
    page.get_by_role("link", name="Check-in link for the patient").click()
    page.get_by_role("button", name="link").first.click()
    assert page.locator("svg.qr").bounding_box()["width"] > 200
    shown = page.locator(".link-text").inner_text()
    patient = open_page(390)
    assert patient.goto(urlsplit(shown).path).status == 200
    page.get_by_role("button", name="End the link").click()
    assert "The patient has no link now" in page.locator("main").inner_text()
    assert patient.reload().status == 404


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_a_reader_of_qr_codes_reads_the_link_from_the_screen(open_page: Open, demo: Demo, width: int) -> None:
    """ISO/IEC 18004 by a decoder of others (zxing-cpp): as shown, far away and blurred, held at an angle."""
    images, zxing = pytest.importorskip("PIL.Image"), pytest.importorskip("zxingcpp")
    page = open_page(width)
    page.goto(f"/cases/{demo.numbers[SETTLED]}/check-in-link")
    page.get_by_role("button", name="link").first.click()
    link = page.locator(".link-text").inner_text().strip()
    shown = images.open(BytesIO(page.locator(".qr-box").screenshot())).convert("RGB")
    far = shown.resize((shown.width // 2, shown.height // 2)).resize(shown.size)
    for seen in (shown, far, shown.rotate(12, expand=True, fillcolor="white")):
        assert [found.text for found in zxing.read_barcodes(seen)] == [link]


def test_letter_and_sheet_print_without_what_is_for_the_screen(open_page: Open, demo: Demo, tmp_path: Path) -> None:
    from pypdf import PdfReader

    page = open_page(1280)
    for paper, most_pages in (("letter", 6), ("sheet", 3)):
        page.goto(f"/cases/{demo.numbers[TESTED]}/{paper}")
        page.pdf(path=tmp_path / f"{paper}.pdf", prefer_css_page_size=True, format="A4")
        pages = PdfReader(tmp_path / f"{paper}.pdf").pages
        words = " ".join(p.extract_text() for p in pages)
        assert len(pages) <= most_pages
        assert "Caution." in words and "Back to the case" not in words and "For the physician" not in words
