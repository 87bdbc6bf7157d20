"""Signing in as a person does it, in a headless Chromium against a service of its own: a link, a form, out, and back.

Source: the journey an office without a system of its own makes (our own); that nothing may be shown again from a
browser's memory after signing out follows the OWASP cheat sheet on session management (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.fhir.json_text import write
from service.inbound.sleep_lab import map_referral
from service.intake.message import Received
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Service
from tests.servers import free_port
from tests.web.messages import example
from tests.web.pages.browser import chromium

sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright: install the dev extra")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: install the dev extra")
pytestmark = [
    pytest.mark.skipif(not chromium(), reason="no Chromium on this machine"),
    pytest.mark.xdist_group("chromium"),
]
ROOT = Path(__file__).parents[2]


@pytest.fixture
def case_and_service(tmp_path: Path) -> Iterator[tuple[str, Service]]:
    """A referral that waits for the dental office, and a service with access control on over it."""
    url = f"sqlite:///{tmp_path}/relay.db"
    pipeline = build_pipeline(Settings(database_url=url))
    message = example("sleep-lab/referral")
    taken = pipeline.receive(Received("test", write(message).encode(), "test", plain=True), map_referral)
    pipeline.close()
    on = {"AIRWAY_RELAY_ACCESS": "on", "AIRWAY_RELAY_KEY_FILE": f"{tmp_path}/keys.json"}
    service = Service(url, free_port(), on)
    service.start()
    yield taken.case_number, service
    service.stop()


@pytest.mark.sampled
@pytest.mark.parametrize("script", [True, False], ids=["with script", "without"])
def test_a_person_signs_in_enters_something_and_leaves_nothing_behind(
    case_and_service: tuple[str, Service], script: bool
) -> None:
    number, service = case_and_service
    referral = example("sleep-lab/referral")
    office, practice = referral["dental_office"], referral["physician"]["practice"]
    service.operator("organisation", "add", "--name", practice["name"], "--number", practice["id"])
    person = service.operator(
        "person",
        "add",
        "--name",
        "Robin Marsh",
        "--office",
        "dental-office",
        "--organisation-id",
        office["id"],
        "--organisation-name",
        office["name"],
    )
    link = service.operator("person", "link", "--id", person)
    assert link.startswith(f"{service.address}/sign-in/link/")
    family = example("sleep-lab/referral")["patient"]["family_name"]
    said: list[str] = []
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), chromium_sandbox=False)
        context = browser.new_context(
            base_url=service.address, java_script_enabled=script, viewport={"width": 390, "height": 800}
        )
        page: Any = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.goto(f"/cases/{number}/page")
        assert page.url.endswith(f"/sign-in?next=%2Fcases%2F{number}%2Fpage")
        page.goto(link)
        _check_by_axe(page, script)
        page.get_by_role("button", name="Sign in").click()
        assert page.url == f"{service.address}/"
        assert page.get_by_text("Robin Marsh, for the dental office").is_visible()
        _check_by_axe(page, script)
        page.get_by_role("link", name=re.compile(family)).first.click()
        page.get_by_role("link", name="Answer the referral").first.click()
        page.get_by_label("What the dental office decides").select_option("accepted")
        page.get_by_role("button", name="Store").click()
        assert "done=stored" in page.url and family in page.content()
        held = {c["name"]: c for c in context.cookies()}["airway_relay_session"]
        assert held["httpOnly"] and held["sameSite"] == "Lax"
        page.get_by_role("button", name="Sign out").click()
        assert page.url.endswith("/sign-in?done=signed-out")
        assert not [c for c in context.cookies() if c["name"] == "airway_relay_session"]
        been: list[str] = []
        for _ in range(4):
            page.go_back()
            page.wait_for_load_state()
            been.append(page.url)
            assert family not in page.content(), page.url
            assert "Robin Marsh" not in page.content(), page.url
        assert any(url.endswith("%2Fpage%3Fdone%3Dstored%26form%3Dreferral-state") for url in been), been
        context.add_cookies([{"name": held["name"], "value": held["value"], "url": service.address}])
        page.goto("/")
        assert "/sign-in?next=" in page.url, "the session has ended on the server too"
        browser.close()
    # Chromium says of every Clear-Site-Data what of it is not supported
    assert not [text for text in said if not text.startswith("Clear-Site-Data header")]
    assert "accepted" in _state_of(service, number)


def _check_by_axe(page: Any, script: bool) -> None:
    """Nothing serious in the way of people who see or move otherwise, nothing wider than a telephone; needs script."""
    if script:
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        text = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
        found = page.evaluate(f"async () => {{ {text}; return (await axe.run()).violations; }}")
        assert not [v["id"] for v in found if v["impact"] in ("serious", "critical")]


def _state_of(service: Service, number: str) -> str:
    pipeline = build_pipeline(Settings(database_url=service.database_url))
    held = pipeline.case(number)
    pipeline.close()
    return write(held)
