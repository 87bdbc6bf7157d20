"""A reader of forms: fills a form of a page in as a browser would and sends it."""

from __future__ import annotations

from html.parser import HTMLParser

from httpx import Response
from starlette.testclient import TestClient

from tests.web.messages import row_counts

SAME_SITE = {"Sec-Fetch-Site": "same-origin", "Origin": "http://127.0.0.1:8080"}


class Form(HTMLParser):
    """The fields of the last form of a page that is sent by POST, as they stand."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self._in_form = False
        self._select = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        if tag == "form":
            self._in_form = held.get("method") == "post"
        if not self._in_form:
            return
        name = held.get("name") or ""
        if tag == "input" and (held.get("type") != "checkbox" or "checked" in held):
            self.fields[name] = held.get("value") or ""
        elif tag == "select":
            self._select = name
            self.fields[name] = ""
        elif tag == "option" and "selected" in held:
            self.fields[self._select] = held.get("value") or ""


def opened(client: TestClient, address: str) -> dict[str, str]:
    """The fields of the form at an address."""
    page = client.get(address)
    assert page.status_code == 200, page.text
    return Form(page.text).fields


def send(client: TestClient, address: str, fields: dict[str, str]) -> Response:
    """Send a form without following where it leads."""
    return client.post(address, data=fields, headers=SAME_SITE, follow_redirects=False)


def fill(client: TestClient, address: str, **values: str) -> Response:
    """Open a form, fill it in, send it."""
    return send(client, address, {**opened(client, address), **values})


def filled(client: TestClient, address: str, **values: str) -> str:
    """The same; the page it leads to, once it is stored."""
    answer = fill(client, address, **values)
    assert answer.status_code == 303, answer.text
    page = client.get(answer.headers["location"])
    assert page.status_code == 200
    return page.text


def counts(client: TestClient) -> dict[str, int]:
    """How many rows every table of the service behind a client holds."""
    return row_counts(client.app.state.pipeline)  # type: ignore[attr-defined]
