"""Signing in by an OpenID Connect provider, against a stand-in for one in this process.

Sources: OpenID Connect Core 1.0 sections 3.1.2 and 3.1.3.7 (what is asked, what of an ID token is checked), RFC 7636
(PKCE), RFC 9207 (iss in the answer, against mix-up), RFC 9700 (security advice for OAuth 2.0, from memory), OpenID
Connect Discovery 1.0 section 4.3 (the issuer must be the same); how much skew is allowed is our own choice.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.access.limits import MOST_FAILURES
from service.fhir.json_text import write
from service.pipeline import Pipeline
from service.web.session_cookie import BEGUN
from tests.access.clients import ec_key, handmade, hmac_by, signed
from tests.access.issuer import CLIENT_ID, KEYS, SECRET, Issuer, issuing
from tests.access.people import SESSION, Door, door, is_in
from tests.conftest import Clock


@dataclass
class Met:
    """A service, the provider by which people sign in to it, and one registered person."""

    here: Door
    issuer: Issuer
    person: str

    def begun(self, browser: TestClient, to: str = "/") -> str:
        """The address of the provider to which a browser is sent."""
        page = browser.get(f"/sign-in?{urlencode({'next': to})}")
        assert page.status_code == 200
        start = browser.get(f"/sign-in/start?{urlencode({'next': to})}")
        assert start.status_code == 303, start.text
        return start.headers["location"]

    def walked(self, browser: TestClient, to: str = "/", **changes: str) -> Response:
        """The whole way, to the answer of the callback."""
        return browser.get(self.issuer.authorize(self.begun(browser, to), **changes))


@pytest.fixture
def met(sqlite_pipeline: Pipeline, tmp_path: Path, clock: Clock) -> Iterator[Met]:
    (tmp_path / "secret").write_text(SECRET + "\n")
    with issuing(lambda: clock().timestamp()) as issuer:
        chosen = {"issuer": issuer.url, "client_id": CLIENT_ID, "secret_file": str(tmp_path / "secret")}
        with door(sqlite_pipeline, tmp_path, links=False, **chosen) as here:
            yield Met(here, issuer, here.person(subject="sub-1", issuer=issuer.url))


def refused(met: Met, answer: Response, browser: TestClient, *, said: str) -> None:
    """Nobody is signed in, the page says why, and the audit has it."""
    assert answer.status_code == 403, answer.text
    assert said in answer.text
    assert SESSION not in browser.cookies
    assert not is_in(browser)
    assert [e["outcome"] for e in met.here.events()][-1] == "4"


def test_the_whole_way_leads_back_to_where_it_began(met: Met) -> None:
    browser = met.here.browser()
    asked = browser.get("/?whose_move=physician&stage=ready-for-test")
    assert asked.status_code == 303
    way = asked.headers["location"]
    assert way == "/sign-in?next=%2F%3Fwhose_move%3Dphysician%26stage%3Dready-for-test"
    assert "/sign-in/start?next=" in browser.get(way).text
    start = browser.get(way.replace("/sign-in?", "/sign-in/start?"))
    address = start.headers["location"]
    assert address.startswith(f"{met.issuer.url}/authorize?realm=sleep&")
    assert parse_qs(urlsplit(address).query)["redirect_uri"] == ["http://127.0.0.1:8080/sign-in/callback"]
    begun = start.headers["set-cookie"]
    assert "HttpOnly" in begun and "SameSite=lax" in begun and "Max-Age=600" in begun
    back = browser.get(met.issuer.authorize(address))
    assert (back.status_code, back.headers["location"]) == (303, "/?whose_move=physician&stage=ready-for-test")
    assert BEGUN not in browser.cookies
    assert "Robin Marsh" in browser.get(back.headers["location"]).text
    (login,) = met.here.events()
    (person,) = [a for a in login["agent"] if a["requestor"]]
    assert (login["outcome"], person["who"]["identifier"]["value"]) == ("0", "sub-1")


@pytest.mark.parametrize("algorithm", list(KEYS))
def test_its_signatures_are_checked(met: Met, algorithm: str) -> None:
    met.issuer.algorithm = algorithm
    browser = met.here.browser()
    assert met.walked(browser).status_code == 303
    assert is_in(browser)


def test_what_is_known_of_the_provider_is_kept(met: Met, clock: Clock) -> None:
    for _ in range(3):
        assert met.walked(met.here.browser()).status_code == 303
    assert met.issuer.asked == ["/.well-known/openid-configuration", "/token", "/jwks", "/token", "/token"]
    clock.move(hours=1)
    met.walked(met.here.browser())
    assert met.issuer.asked.count("/.well-known/openid-configuration") == 2


@pytest.mark.parametrize(
    "document",
    [
        {"token_endpoint_auth_methods_supported": ["client_secret_post"]},
        {"token_endpoint_auth_methods_supported": ["client_secret_post", "client_secret_basic"]},
        {"code_challenge_methods_supported": None},
        {"authorization_response_iss_parameter_supported": False},
    ],
)
def test_providers_differ(met: Met, document: dict[str, Any]) -> None:
    met.issuer.document = document
    assert met.walked(met.here.browser()).status_code == 303
    assert met.issuer.refused == []


def test_a_signed_assertion_proves_the_service_instead_of_a_secret(
    sqlite_pipeline: Pipeline, tmp_path: Path, clock: Clock
) -> None:
    key = ec_key("relay-1")
    (tmp_path / "key.pem").write_bytes(key.as_pem(private=True))
    with issuing(lambda: clock().timestamp()) as issuer:
        issuer.client_key = key
        chosen = {"issuer": issuer.url, "client_id": CLIENT_ID, "key_file": str(tmp_path / "key.pem")}
        with door(sqlite_pipeline, tmp_path, links=False, **chosen) as here:
            met = Met(here, issuer, here.person(subject="sub-1", issuer=issuer.url))
            assert met.walked(here.browser()).status_code == 303
            assert issuer.refused == []


_ELSEWHERE = "does not belong to a sign-in that began in this browser"


def test_a_wrong_state_signs_nobody_in(met: Met) -> None:
    for state in ("x" * 43, "", "ü"):
        browser = met.here.browser()
        refused(met, met.walked(browser, state=state), browser, said=_ELSEWHERE)


def test_an_answer_in_another_browser_signs_nobody_in(met: Met) -> None:
    """An attacker's own answer, sent to somebody else (forced sign-in), and an answer without the cookie."""
    address = met.issuer.authorize(met.begun(met.here.browser()))
    without = met.here.browser()
    refused(met, without.get(address), without, said=_ELSEWHERE)
    victim = met.here.browser()
    met.begun(victim)
    refused(met, victim.get(address), victim, said=_ELSEWHERE)


def test_an_answer_is_taken_once(met: Met) -> None:
    browser = met.here.browser()
    address = met.issuer.authorize(met.begun(browser))
    cookie = browser.cookies[BEGUN]
    assert browser.get(address).status_code == 303
    again = met.here.browser()
    again.cookies.set(BEGUN, cookie)
    asked = len(met.issuer.asked)
    refused(met, again.get(address), again, said="used before")
    assert len(met.issuer.asked) == asked, "the provider was not even asked"


def test_a_code_of_another_sign_in_is_of_no_use(met: Met) -> None:
    """Code injection: PKCE ties the code to the browser that began."""
    stolen = parse_qs(urlsplit(met.issuer.authorize(met.begun(met.here.browser()))).query)["code"][0]
    browser = met.here.browser()
    refused(met, met.walked(browser, code=stolen), browser, said="did not confirm")
    assert met.issuer.refused == ["verifier does not fit"]


@pytest.mark.parametrize("error", ["access_denied", "server_error", "<script>"])
def test_what_the_provider_refuses_is_told_in_our_own_words(met: Met, error: str) -> None:
    browser = met.here.browser()
    answer = met.walked(browser, code="", error=error, error_description="<b>call 555</b>")
    refused(met, answer, browser, said="let nobody in")
    assert error not in answer.text and "555" not in answer.text
    assert "/token" not in met.issuer.asked


def test_an_answer_of_another_issuer_is_refused(met: Met) -> None:
    browser = met.here.browser()
    refused(met, met.walked(browser, iss="https://other.example"), browser, said="another sign-in service")
    assert "/token" not in met.issuer.asked


def test_a_provider_that_names_itself_in_answers_must_do_so(met: Met) -> None:
    met.issuer.document = {"authorization_response_iss_parameter_supported": True}
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="another sign-in service")
    assert met.walked(browser, iss=met.issuer.url).status_code == 303


def _shifted(**seconds: int) -> dict[str, Any]:
    """Claims that lie so many seconds from now; filled in by the test."""
    return {name: ("from now", by) for name, by in seconds.items()}


@pytest.mark.parametrize(
    "claims",
    [
        {"nonce": "x" * 43},
        {"nonce": None},
        {"nonce": ["x"]},
        {"aud": "somebody-else"},
        {"aud": ["somebody-else"]},
        {"aud": None},
        {"aud": [CLIENT_ID, "somebody-else"]},
        {"aud": [CLIENT_ID, "somebody-else"], "azp": "somebody-else"},
        {"azp": "somebody-else"},
        {"iss": "https://other.example"},
        {"iss": None},
        {"exp": None},
        {"exp": "tomorrow"},
        _shifted(exp=-60),
        _shifted(iat=-601),
        _shifted(iat=61),
        _shifted(nbf=61),
        {"iat": None},
        {"sub": None},
        {"sub": ""},
        {"sub": 7},
        {"sub": "x" * 256},
        {"sub": "sub-1\x00"},
    ],
    ids=str,
)
def test_an_id_token_that_says_something_else_is_not_believed(met: Met, clock: Clock, claims: dict[str, Any]) -> None:
    now_s = int(clock().timestamp())
    met.issuer.claims = {n: now_s + v[1] if isinstance(v, tuple) else v for n, v in claims.items()}
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="cannot be believed")


@pytest.mark.parametrize(
    "claims",
    [
        {"aud": [CLIENT_ID]},
        {"azp": CLIENT_ID},
        {"aud": [CLIENT_ID, "other"], "azp": CLIENT_ID},
        _shifted(exp=-59),
        _shifted(iat=60),
        _shifted(iat=-600),
    ],
    ids=str,
)
def test_what_is_within_bounds_is_believed(met: Met, clock: Clock, claims: dict[str, Any]) -> None:
    now_s = int(clock().timestamp())
    met.issuer.claims = {n: now_s + v[1] if isinstance(v, tuple) else v for n, v in claims.items()}
    assert met.walked(met.here.browser()).status_code == 303


_NOT_SIGNED: dict[str, Callable[[dict[str, Any], dict[str, Any]], str]] = {
    "alg none": lambda h, c: handmade({**h, "alg": "none"}, c, lambda _: b"x"),
    "alg none, empty": lambda h, c: handmade({**h, "alg": "none"}, c, lambda _: b""),
    "HS256 by the secret": lambda h, c: handmade({**h, "alg": "HS256"}, c, hmac_by(SECRET.encode())),
    "HS384 by the public key": lambda h, c: handmade(
        {**h, "alg": "HS384"}, c, hmac_by(KEYS["RS256"].as_pem(private=False))
    ),
    "a key not in the set": lambda h, c: signed({**h, "kid": "p-999", "alg": "ES384"}, c, ec_key("p-999")),
    "another key of that name": lambda h, c: signed({**h, "kid": "p-384", "alg": "ES384"}, c, ec_key("p-384")),
    "no kid": lambda h, c: signed({"alg": "RS256"}, c, KEYS["RS256"]),
    "the key in the header": lambda h, c: signed(
        {"alg": "ES384", "kid": "mine", "jwk": dict(ec_key("mine").as_dict(private=False))}, c, ec_key("mine")
    ),
    "an access token": lambda h, c: signed({**h, "typ": "at+jwt"}, c, KEYS["RS256"]),
    "an extension": lambda h, c: handmade({**h, "crit": ["exp"]}, c, lambda _: b"x"),
    "no token": lambda h, c: "x",
    "encrypted": lambda h, c: "a.b.c.d.e",
}


@pytest.mark.parametrize("make", _NOT_SIGNED.values(), ids=_NOT_SIGNED.keys())
def test_an_id_token_that_the_issuer_did_not_sign_is_not_believed(met: Met, make: Any) -> None:
    met.issuer.make = make
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="cannot be believed")


@pytest.mark.parametrize("body", [b"", b"[]", b"{}", b'{"id_token": 7}', b"x" * 60_000])
def test_a_token_answer_that_is_none_signs_nobody_in(met: Met, body: bytes) -> None:
    met.issuer.token_answer = body
    browser = met.here.browser()
    answer = met.walked(browser)
    assert answer.status_code == 403
    assert not is_in(browser)


@pytest.mark.parametrize(
    "document",
    [
        {"issuer": "https://other.example"},
        {"issuer": None},
        {"token_endpoint": "https://other.example/token"},
        {"jwks_uri": "https://other.example/jwks"},
        {"jwks_uri": None},
        {"authorization_endpoint": "http://other.example/authorize"},
        {"authorization_endpoint": "javascript:alert(1)"},
        {"authorization_endpoint": None},
        {"code_challenge_methods_supported": ["plain"]},
    ],
    ids=str,
)
def test_a_provider_that_cannot_be_used_is_not_gone_to(met: Met, document: dict[str, Any], clock: Clock) -> None:
    met.issuer.document = document
    browser = met.here.browser()
    answer = browser.get("/sign-in/start")
    assert answer.status_code == 503 and "try again" in answer.text
    assert "location" not in answer.headers and BEGUN not in browser.cookies
    met.issuer.document = {}
    clock.move(seconds=5)
    assert met.walked(browser).status_code == 303


def test_who_is_not_registered_is_told_under_which_subject(met: Met, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    met.issuer.subject = "sub-<2>"
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="sub-&lt;2&gt;")
    (failed,) = met.here.events()
    assert failed["outcomeDesc"] == "sign-in failed: not registered"
    assert "sub-<2>" in str(failed["agent"])
    met.here.person("Kim Alder", subject="sub-<2>", issuer=met.issuer.url, number="dent-8")
    assert met.walked(browser).status_code == 303
    assert "Kim Alder" in browser.get("/").text


def test_the_same_subject_of_another_issuer_is_somebody_else(met: Met) -> None:
    met.here.people.revoke(met.person)
    met.here.person(subject="sub-1", issuer="https://other.example")
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="nobody has registered you")


def test_who_is_revoked_does_not_sign_in_again(met: Met) -> None:
    met.here.people.revoke(met.person)
    browser = met.here.browser()
    refused(met, met.walked(browser), browser, said="nobody has registered you")


@pytest.mark.parametrize(
    "to",
    [
        "//evil.example",
        "//evil.example/physician",
        "https://evil.example/",
        "https:evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "/%2f/evil.example",
        "%2F%2Fevil.example",
        "/%5cevil.example",
        "/physician//evil.example",
        "/physician\r\nLocation: https://evil.example",
        "/physician\n",
        " /physician",
        "/\t/evil.example",
        "javascript:alert(1)",
        "/@evil.example",
        "/sign-out",
        "/fhir/Patient",
        "/cases/AR-1",
        "/physician?x=//evil.example",
        "",
    ],
)
def test_the_way_back_leads_to_our_own_pages_only(met: Met, to: str) -> None:
    browser = met.here.browser()
    back = met.walked(browser, to)
    assert (back.status_code, back.headers["location"]) == (303, "/")
    tampered = met.here.browser()
    address = met.issuer.authorize(met.begun(tampered))
    if to.isascii() and to.isprintable():
        cookie = tampered.cookies[BEGUN]
        tampered.cookies.clear()
        sent = tampered.get(address, headers={"Cookie": f'{BEGUN}="{cookie.strip(chr(34))[:43]}{to}"'})
        assert sent.headers["location"] == "/"


@pytest.mark.parametrize(
    "to", ["/physician", "/cases/AR-12345-67890/page", "/cases/AR-1/forms/check-in/c4", "/?only=urgent"]
)
def test_the_way_back_leads_to_every_page(met: Met, to: str) -> None:
    assert met.walked(met.here.browser(), to).headers["location"] == to


def test_failing_again_and_again_is_slowed_down(met: Met) -> None:
    browser = met.here.browser()
    for _ in range(MOST_FAILURES):
        assert browser.get("/sign-in/callback?code=x&state=y").status_code == 403
    assert browser.get("/sign-in/callback?code=x&state=y").status_code == 429


def test_no_secret_of_a_sign_in_is_logged_kept_or_told(
    met: Met, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    caplog.set_level(logging.DEBUG)
    browser = met.here.browser()
    address = met.begun(browser)
    begun = browser.cookies[BEGUN]
    back = met.issuer.authorize(address)
    answers = [browser.get(back)]
    met.issuer.claims = {"nonce": "planted-nonce"}
    answers.append(met.walked(met.here.browser()))
    session = browser.cookies[SESSION]
    query = {k: v[0] for q in (urlsplit(address).query, urlsplit(back).query) for k, v in parse_qs(q).items()}
    logged = "\n".join(f"{r.getMessage()} {getattr(r, 'told', '')}" for r in caplog.records if r.name != "httpx")
    assert "an ID token was refused: nonce" in logged
    text = logged + "".join(a.text for a in answers) + write(met.here.events())
    for secret in (query["code"], query["state"], query["nonce"], begun[:43], session, SECRET, "planted-nonce"):
        assert secret not in text
    held = (tmp_path / "relay.db").read_bytes()
    for secret in (query["code"], query["state"], begun[:43], session, SECRET):
        assert secret.encode() not in held
