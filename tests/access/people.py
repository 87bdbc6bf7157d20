"""People for tests: a service in this process where they sign in, browsers of their own, what a page shows."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from httpx import Response
from starlette.testclient import TestClient

from service.access.grant import Office
from service.access_settings import AccessSettings
from service.app import build_app
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.pipeline.access.people import People
from service.settings import Settings
from service.sign_in_settings import SignInSettings
from service.web import session_cookie
from service.web.csrf import FIELD
from tests.web.audit_events import events
from tests.web.pages.forms import Form

BASE = "http://127.0.0.1:8080"
SESSION = session_cookie.SESSION
SAME_SITE = {"Sec-Fetch-Site": "same-origin"}


@dataclass
class Door:
    """A service with access control on, at whose door people sign in."""

    pipeline: Pipeline
    app: Any
    people: People

    def browser(self) -> TestClient:
        """A browser of its own: it keeps its cookies, and follows nothing by itself."""
        return TestClient(self.app, BASE, raise_server_exceptions=False, follow_redirects=False)

    def person(self, name: str = "Robin Marsh", office: Office = Office.DENTAL_OFFICE, **more: str) -> str:
        """Register somebody; the id."""
        number = more.pop("number", "dent-9")
        return self.people.add(name, [office], number, f"Office {number}", **more).id

    def signed_in(self, person: str) -> TestClient:
        """A browser in which a person has signed in by a link."""
        browser = self.browser()
        answer = use(browser, self.people.link(person))
        assert answer.status_code == 303, answer.text
        return browser

    def events(self, code: str = "110114") -> list[dict[str, Any]]:
        """The AuditEvents of a type, oldest first."""
        return [e for e in events(self.browser()) if e["type"]["code"] == code]


@contextmanager
def door(pipeline: Pipeline, folder: Path, links: bool = True, **sign_in: Any) -> Iterator[Door]:
    """The web application in this process, with the pages open to whoever signs in."""
    chosen = SignInSettings(links_everywhere=links, **sign_in)
    access = AccessSettings(
        on=True,
        key_file=str(folder / "keys.json"),
        jwks_hosts=Egress("127.0.0.1", on_loopback=True),
        sign_in=chosen,
    )
    yield Door(pipeline, build_app(Settings(access=access), pipeline), People(pipeline))


def use(browser: TestClient, secret: str) -> Response:
    """Open a link and press its button."""
    page = browser.get(f"/sign-in/link/{secret}")
    assert page.status_code == 200, page.text
    return browser.post("/sign-in/link", data=Form(page.text).fields, headers=SAME_SITE)


def form_token(browser: TestClient, address: str = "/") -> str:
    """The token of the forms on a page."""
    page = browser.get(address)
    assert page.status_code == 200, page.text
    return Form(page.text).fields[FIELD]


def sign_out(browser: TestClient) -> Response:
    """Press the button that signs out."""
    return browser.post("/sign-out", data={FIELD: form_token(browser)}, headers=SAME_SITE)


def is_in(browser: TestClient) -> bool:
    """Whether the board is shown; else the way to the sign-in is."""
    answer = browser.get("/")
    assert answer.status_code in (200, 303), answer.text
    if answer.status_code == 303:
        assert answer.headers["location"].startswith("/sign-in?"), answer.headers
    return answer.status_code == 200
