"""Links that sign in once, and the sessions that come of them.

Sources: the OWASP cheat sheets on session management and cross-site request forgery (from memory); RFC 6265bis for the
cookie's name and attributes; the events DICOM 110114, 110122 and 110123 as IHE ATNA uses them (from memory). How long
sessions and links last is our own choice.
"""

from __future__ import annotations

import re
import secrets
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from service.access.limits import MOST_FAILURES, SECONDS_PER_FAILURE
from service.pipeline import Pipeline
from service.pipeline.access.people import hash_of
from service.pipeline.access.sessions import CHECKED_SECONDS, NOTED_SECONDS
from service.settings import Settings
from service.web import csrf
from service.wiring import build_pipeline
from tests.access.people import SAME_SITE, SESSION, Door, door, form_token, is_in, sign_out, use
from tests.conftest import Clock


@pytest.fixture
def here(sqlite_pipeline: Pipeline, tmp_path: Path) -> Iterator[Door]:
    with door(sqlite_pipeline, tmp_path) as found:
        yield found


def test_a_link_signs_in_once(here: Door) -> None:
    secret = here.people.link(here.person())
    browser = here.browser()
    assert not is_in(browser)
    assert use(browser, secret).headers["location"] == "/"
    assert is_in(browser)
    page = browser.get("/").text
    assert "Robin Marsh, for the dental office" in page and "Sign out" in page
    other = here.browser()
    again = use(other, secret)
    assert again.status_code == 403 and "signs nobody in" in again.text
    assert not is_in(other)


def test_looking_at_a_link_does_not_use_it_up(here: Door) -> None:
    secret = here.people.link(here.person())
    for _ in range(3):
        assert here.browser().get(f"/sign-in/link/{secret}").status_code == 200
    assert use(here.browser(), secret).status_code == 303


def test_two_at_once_with_one_link_are_one(pipeline: Pipeline, tmp_path: Path) -> None:
    with door(pipeline, tmp_path) as here:
        secret = here.people.link(here.person())
        with ThreadPoolExecutor(8) as pool:
            found = list(pool.map(lambda _: here.people.by_link(secret), range(8)))
        assert sum(one is not None for one in found) == 1


def test_a_link_ends_after_ten_minutes(here: Door, clock: Clock) -> None:
    person = here.person()
    first, second = here.people.link(person), here.people.link(person)
    clock.move(seconds=599)
    assert use(here.browser(), first).status_code == 303
    clock.move(seconds=1)
    assert use(here.browser(), second).status_code == 403


def test_guessing_is_slowed_down(here: Door, clock: Clock) -> None:
    good = here.people.link(here.person())
    browser = here.browser()
    for _ in range(MOST_FAILURES):
        assert use(browser, secrets.token_urlsafe(32)).status_code == 403
    slowed = use(browser, good)
    assert slowed.status_code == 429 and int(slowed.headers["retry-after"]) == SECONDS_PER_FAILURE
    clock.move(seconds=SECONDS_PER_FAILURE)
    assert use(browser, good).status_code == 303


@pytest.mark.parametrize("secret", ["x", "A" * 42, "A" * 44, "%00" * 10, "..", "A" * 43])
def test_what_never_was_a_link_signs_nobody_in(here: Door, secret: str) -> None:
    here.person()
    browser = here.browser()
    fields = {csrf.FIELD: form_token(browser, f"/sign-in/link/{'B' * 43}"), "secret": secret}
    assert browser.post("/sign-in/link", data=fields, headers=SAME_SITE).status_code == 403
    assert not is_in(browser)


def test_a_link_is_used_from_its_own_page_only(here: Door) -> None:
    secret = here.people.link(here.person())
    browser = here.browser()
    assert browser.post("/sign-in/link", data={"secret": secret}, headers=SAME_SITE).status_code == 403
    fields = {csrf.FIELD: form_token(browser, f"/sign-in/link/{secret}"), "secret": secret}
    crossed = browser.post("/sign-in/link", data=fields, headers={"Sec-Fetch-Site": "cross-site"})
    assert crossed.status_code == 403
    assert not is_in(browser)
    assert use(browser, secret).status_code == 303


def test_only_hashes_are_kept(here: Door, tmp_path: Path) -> None:
    person = here.person()
    link = here.people.link(person)
    browser = here.signed_in(person)
    secret = browser.cookies[SESSION]
    with sqlite3.connect(tmp_path / "relay.db") as held:
        text = "\n".join(held.iterdump())
    assert hash_of(secret) in text and hash_of(link) in text
    assert secret not in text and link not in text


def test_the_cookie_is_kept_from_scripts_and_over_https_to_this_host(here: Door) -> None:
    person = here.person()
    plain = use(here.browser(), here.people.link(person)).headers.get_list("set-cookie")
    set_cookie = next(c for c in plain if c.startswith(f"{SESSION}="))
    assert "HttpOnly" in set_cookie and "SameSite=lax" in set_cookie and "Path=/" in set_cookie
    assert "Secure" not in set_cookie and "Domain" not in set_cookie and "Max-Age" not in set_cookie
    browser = here.browser()
    browser.base_url = "https://127.0.0.1:8080"  # type: ignore[assignment]
    secure = use(browser, here.people.link(person)).headers.get_list("set-cookie")
    set_cookie = next(c for c in secure if c.startswith(f"__Host-{SESSION}="))
    assert "Secure" in set_cookie and "Path=/" in set_cookie and "Domain" not in set_cookie
    assert is_in(browser)
    held = browser.cookies[f"__Host-{SESSION}"]
    other = here.browser()
    other.base_url = "https://127.0.0.1:8080"  # type: ignore[assignment]
    other.cookies.set(SESSION, held)
    assert not is_in(other), "a name that another host could have set is no session over https"


def test_a_session_planted_before_is_not_the_one_that_signs_in(here: Door) -> None:
    person = here.person()
    attacker = here.signed_in(person)
    planted = attacker.cookies[SESSION]
    victim = here.browser()
    victim.cookies.set(SESSION, planted, domain="127.0.0.1", path="/")
    other = here.person("Kim Alder", number="dent-8")
    page = victim.get(f"/sign-in/link/{here.people.link(other)}")
    fields = {**_fields(page.text)}
    assert victim.post("/sign-in/link", data=fields, headers=SAME_SITE).status_code == 303
    assert victim.cookies[SESSION] != planted
    assert "Kim Alder" in victim.get("/").text
    assert not is_in(attacker), "the session that the browser brought has ended"


def _fields(page: str) -> dict[str, str]:
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page))


@pytest.mark.parametrize("change", [lambda s: s[:-1] + ("A" if s[-1] != "A" else "B"), lambda s: s + "A", lambda s: ""])
def test_a_changed_cookie_is_no_session(here: Door, change) -> None:
    browser = here.signed_in(here.person())
    other = here.browser()
    other.cookies.set(SESSION, change(browser.cookies[SESSION]))
    assert not is_in(other)
    other.cookies.set(SESSION, hash_of(browser.cookies[SESSION])[:43])
    assert not is_in(other)


def test_a_session_ends_when_it_is_not_used(here: Door, clock: Clock) -> None:
    browser = here.signed_in(here.person())
    for _ in range(5):
        clock.move(minutes=29)
        assert is_in(browser)
    clock.move(minutes=30)
    assert not is_in(browser)


def test_a_session_ends_after_twelve_hours_whatever_is_done(here: Door, clock: Clock) -> None:
    browser = here.signed_in(here.person())
    for _ in range(12 * 60 // 20 - 1):
        clock.move(minutes=20)
        assert is_in(browser)
    clock.move(minutes=19, seconds=59)
    assert is_in(browser)
    clock.move(seconds=1)
    assert not is_in(browser)


def test_what_was_looked_up_a_moment_ago_ends_in_time_too(here: Door, clock: Clock) -> None:
    browser = here.signed_in(here.person())
    clock.move(hours=0, minutes=29, seconds=59)
    assert is_in(browser)
    clock.move(seconds=CHECKED_SECONDS / 2)
    assert is_in(browser), "its use one second ago was noted"
    clock.move(minutes=30, seconds=-NOTED_SECONDS)
    assert is_in(browser)


def test_signing_out_ends_the_session_on_the_server(here: Door) -> None:
    browser = here.signed_in(here.person())
    kept = browser.cookies[SESSION]
    out = sign_out(browser)
    assert (out.status_code, out.headers["location"]) == (303, "/sign-in?done=signed-out")
    assert SESSION not in browser.cookies
    assert "signed out" in browser.get("/sign-in?done=signed-out").text
    thief = here.browser()
    thief.cookies.set(SESSION, kept)
    assert not is_in(thief)


def test_signing_out_needs_the_sessions_own_token(here: Door) -> None:
    person = here.person()
    browser, other = here.signed_in(person), here.signed_in(person)
    for token in ("", "A" * 43, form_token(other)):
        assert browser.post("/sign-out", data={csrf.FIELD: token}, headers=SAME_SITE).status_code == 403
    crossed = {"Sec-Fetch-Site": "cross-site"}
    assert browser.post("/sign-out", data={csrf.FIELD: form_token(browser)}, headers=crossed).status_code == 403
    assert browser.get("/sign-out").status_code == 405
    assert is_in(browser)


def test_another_process_notices_within_two_seconds(here: Door, tmp_path: Path, clock: Clock) -> None:
    person = here.person()
    browsers = [here.signed_in(person) for _ in range(2)]
    pipeline = build_pipeline(Settings(database_url=f"sqlite:///{tmp_path}/relay.db"), clock=clock)
    with door(pipeline, tmp_path) as there:
        elsewhere = []
        for browser in browsers:
            other = there.browser()
            other.cookies.set(SESSION, browser.cookies[SESSION])
            assert is_in(other)
            elsewhere.append(other)
        assert sign_out(browsers[0]).status_code == 303
        there.people.revoke(person)
        clock.move(seconds=CHECKED_SECONDS)
        assert not any(is_in(browser) for browser in (*elsewhere, *browsers))
    pipeline.close()


def test_who_is_revoked_is_out_and_stays_out(here: Door, clock: Clock) -> None:
    person = here.person()
    browser, link = here.signed_in(person), here.people.link(person)
    assert is_in(browser)
    here.people.revoke(person)
    clock.move(seconds=CHECKED_SECONDS)
    assert not is_in(browser)
    assert use(here.browser(), link).status_code == 403
    with pytest.raises(Exception, match="access was taken away"):
        here.people.link(person)


def test_a_session_that_opens_just_as_its_person_is_revoked_holds_nothing(here: Door) -> None:
    number = here.person()
    found = here.people.by_link(here.people.link(number))
    assert found
    here.people.revoke(number)
    sessions = here.app.state.sign_in.sessions
    assert sessions.looked_up(sessions.open(found).secret) is None


def test_signing_in_and_out_is_in_the_audit(here: Door) -> None:
    person = here.person()
    secret = here.people.link(person)
    browser = here.browser()
    use(browser, secret)
    use(here.browser(), secret)
    sign_out(browser)
    told = [(e["subtype"][0]["code"], e["outcome"], e["action"]) for e in here.events()]
    assert told == [("110122", "0", "E"), ("110122", "4", "E"), ("110123", "0", "E")]
    login, failed, logout = here.events()
    assert login["type"]["system"] == login["subtype"][0]["system"] == "http://dicom.nema.org/resources/ontology/DCM"
    for event in (login, logout):
        people = [a for a in event["agent"] if a["requestor"]]
        assert [a["who"]["identifier"]["value"] for a in people] == [person]
    assert not [a for a in failed["agent"] if a["who"].get("identifier", {}).get("value") == person]
    assert secret not in str(here.events()) and browser.cookies.get(SESSION, "none") not in str(here.events())


def test_links_are_refused_where_they_are_not_taken(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    with door(sqlite_pipeline, tmp_path) as open_here:
        secret = open_here.people.link(open_here.person())
    settings = {"issuer": "http://127.0.0.1:1", "client_id": "relay", "secret_file": str(tmp_path / "secret")}
    (tmp_path / "secret").write_text("s3cret")
    with door(sqlite_pipeline, tmp_path, links=False, **settings) as here:
        browser = here.browser()
        assert browser.get(f"/sign-in/link/{secret}").status_code == 404
        assert browser.post("/sign-in/link", data={"secret": secret}, headers=SAME_SITE).status_code == 404


def test_without_access_control_nobody_signs_in(client) -> None:
    assert client.get("/sign-in").status_code == 404
    assert client.get("/").status_code == 200
    assert "Sign out" not in client.get("/").text
