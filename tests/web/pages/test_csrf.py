"""A form is taken only from this site's own page in the same browser."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.web import csrf
from tests.web.messages import Case
from tests.web.pages.forms import SAME_SITE, Form, counts, opened, send

SETTING = {"set_on": "2026-09-01", "advance_left_mm": "1", "advance_right_mm": "1"}


@pytest.fixture
def case(client: TestClient) -> Case:
    return Case(client).fitted()


def _address(case: Case) -> str:
    return f"/cases/{case.number}/forms/setting"


def test_the_cookie_is_kept_from_other_sites_and_from_scripts(case: Case) -> None:
    first = case.client.get(_address(case))
    set_cookie = first.headers["set-cookie"]
    assert set_cookie.startswith(f"{csrf.COOKIE}=")
    for part in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert part in set_cookie
    assert "Secure" not in set_cookie
    assert "set-cookie" not in case.client.get(_address(case)).headers


def test_over_https_the_cookie_is_secure(case: Case) -> None:
    page = case.client.get(f"https://127.0.0.1:8080{_address(case)}")
    assert "Secure" in page.headers["set-cookie"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site", "Origin": "http://127.0.0.1:8080"},
    ],
)
def test_a_form_from_elsewhere_stores_nothing(case: Case, headers: dict[str, str]) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    before = counts(case.client)
    answer = case.client.post(_address(case), data=fields, headers=headers, follow_redirects=False)
    assert answer.status_code == 403
    assert "Nothing was stored" in answer.text
    assert 'name="advance_left_mm" value="1"' in answer.text
    assert counts(case.client) == before


@pytest.mark.parametrize("token", ["", "x", "A" * 43, None])
def test_a_form_without_the_browsers_token_stores_nothing(case: Case, token: str | None) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    if token is None:
        del fields[csrf.FIELD]
    else:
        fields[csrf.FIELD] = token
    before = counts(case.client)
    assert send(case.client, _address(case), fields).status_code == 403
    assert counts(case.client) == before


def test_a_form_without_the_cookie_stores_nothing_and_can_be_sent_again(case: Case) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    case.client.cookies.clear()
    refused = send(case.client, _address(case), fields)
    assert refused.status_code == 403
    assert refused.headers["set-cookie"]
    assert send(case.client, _address(case), Form(refused.text).fields).status_code == 303


def test_behind_a_proxy_the_browsers_own_word_counts(case: Case) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    headers = {"Sec-Fetch-Site": "same-origin", "Origin": "https://relay.example"}
    assert case.client.post(_address(case), data=fields, headers=headers, follow_redirects=False).status_code == 303


def test_a_browser_that_says_nothing_of_sites_is_known_by_its_token(case: Case) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    assert case.client.post(_address(case), data=fields, follow_redirects=False).status_code == 303


def test_withdrawing_needs_the_token_too(case: Case) -> None:
    fields = {**opened(case.client, _address(case)), **SETTING}
    send(case.client, _address(case), fields)
    address = f"{_address(case)}/{fields['entry_id']}/withdraw"
    before = counts(case.client)
    answer = case.client.post(address, data={csrf.FIELD: "x"}, headers=SAME_SITE, follow_redirects=False)
    assert answer.status_code == 403
    assert counts(case.client) == before
