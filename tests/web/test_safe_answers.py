"""What every answer says to a browser, and that no answer repeats an address that is a secret.

https://www.w3.org/TR/permissions-policy/ and https://www.w3.org/TR/clear-site-data/
"""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.pipeline import Pipeline
from tests.access.people import door, sign_out
from tests.web.messages import Case


@pytest.mark.parametrize(
    "path", ["/", "/physician", "/sign-in", "/check-in/x", "/cases/none/page", "/style.css", "/health"]
)
def test_no_page_may_use_camera_or_place(client: TestClient, path: str) -> None:
    policy = client.get(path, follow_redirects=False).headers["permissions-policy"]
    assert "camera=()" in policy and "geolocation=()" in policy and "microphone=()" in policy


@pytest.mark.parametrize("path", ["/check-in/{secret}/", "/sign-in/link/{secret}/", "/cases/{secret}/"])
def test_a_slash_at_the_end_is_not_redirected(client: TestClient, path: str) -> None:
    secret = "s" * 43
    answer = client.get(path.format(secret=secret), follow_redirects=False)
    assert answer.status_code == 404
    assert secret not in str(answer.headers) and secret not in answer.text


def test_a_patients_link_with_a_slash_leads_nowhere(client: TestClient) -> None:
    case = Case(client)
    made = client.post(f"/intake/cases/{case.number}/check-in-links")
    path = made.json()["link"].split("8080")[-1]
    assert client.get(path).status_code == 200
    answer = client.get(f"{path}/", follow_redirects=False)
    assert (answer.status_code, "location" in answer.headers) == (404, False)


def test_signing_out_has_the_browser_forget(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    with door(sqlite_pipeline, tmp_path) as here:
        browser = here.signed_in(here.person())
        answer = sign_out(browser)
        assert answer.headers["clear-site-data"] == '"cache", "cookies", "storage"'
        assert "clear-site-data" not in browser.get("/sign-in").headers
