"""The form of emergency access as a person sees it, in a headless Chromium, on a desktop and on a telephone."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.web import csrf
from tests.access.test_sign_in_browser import case_and_service
from tests.conftest import Service
from tests.web.messages import example
from tests.web.pages.browser import WIDTHS, chromium

sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright: install the dev extra")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: install the dev extra")
pytestmark = [
    pytest.mark.skipif(not chromium(), reason="no Chromium on this machine"),
    pytest.mark.xdist_group("chromium"),
]
__all__ = ["case_and_service"]


@pytest.mark.sampled
@pytest.mark.parametrize("width", WIDTHS)
def test_a_physician_of_another_hospital_opens_one_record(
    case_and_service: tuple[str, Service], width: int, tmp_path: Path
) -> None:
    number, service = case_and_service
    family = example("sleep-lab/referral")["patient"]["family_name"]
    hospital = ("--organisation-id", "hospital-1", "--organisation-name", "Invented Hospital")
    person = service.operator("person", "add", "--name", "Dr Ward", "--office", "physician", *hospital)
    said: list[str] = []
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), chromium_sandbox=False)
        page = browser.new_context(base_url=service.address, viewport={"width": width, "height": 800}).new_page()
        page.on("console", lambda message: said.append(message.text))

        def looked_at(name: str) -> None:
            page.screenshot(path=tmp_path / f"{name}-{width}.png", full_page=True)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            text = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
            found = page.evaluate(f"async () => {{ {text}; return (await axe.run()).violations; }}")
            assert not [v["id"] for v in found if v["impact"] in ("serious", "critical")]

        page.goto(service.operator("person", "link", "--id", person))
        page.get_by_role("button", name="Sign in").click()
        page.get_by_label("Case number").fill(number)
        page.get_by_role("button", name="Find").click()
        looked_at("board")
        page.get_by_role("link", name="open one record by emergency access").click()
        assert page.get_by_label("Case number").input_value() == number
        looked_at("form")
        page.get_by_label("Why it is needed now").fill("aaaaaaaaaa")
        page.get_by_role("button", name="Open the record").click()
        assert page.get_by_role("alert").get_by_text("Say why in words").is_visible()
        looked_at("wrong")
        page.get_by_label("Why it is needed now").fill("Found unconscious, no letter at hand")
        page.get_by_role("button", name="Open the record").click()
        assert page.url.endswith(f"/cases/{number}/page")
        assert family in page.content()
        assert page.get_by_text("Emergency access.").is_visible()
        looked_at("case")
        assert page.locator(f"form:not([action='/sign-out']) input[name={csrf.FIELD}]").count() == 0
        page.goto("/emergency")
        assert page.get_by_role("link", name=number).is_visible()
        looked_at("open")
        browser.close()
    assert not [line for line in said if "422" not in line], said
