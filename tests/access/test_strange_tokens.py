"""Whatever a token or assertion holds, it is believed or refused, and never an error (our own rule)."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.assertion import LONGEST_SECONDS, check_assertion, check_form, client_named
from service.access.grant import Scope, parse_scope
from service.access.jose import NotTrusted, opened
from service.access.keys import public_keys
from service.access.scopes import granted, text_of
from tests.access.clients import TOKEN_URL, TestedClient, by_ec, ec_key, handmade, public_set

EC = ec_key()
KEY = public_keys(public_set(EC))["ec-1"]
CLIENT = TestedClient("c-1", EC, 1_800_000_000.0)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
HEADERS = st.sampled_from(["alg", "kid", "typ", "jku", "jwk", "x5u", "crit", "b64", "cty"])
CLAIMS = st.sampled_from(["iss", "sub", "aud", "exp", "iat", "nbf", "jti", "scope"])


def _believed(text: str) -> bool:
    with contextlib.suppress(NotTrusted):
        token = opened(text)
        client_named(token)
        check_form(token)
        check_assertion(token, KEY, TOKEN_URL, CLIENT.now_s)
        return True
    return False


@given(text=st.text(max_size=200) | st.from_regex(r"[A-Za-z0-9_-]{0,40}(\.[A-Za-z0-9_-]{0,40}){0,4}", fullmatch=True))
def test_any_text_is_refused(text: str) -> None:
    assert not _believed(text)


@given(header=st.dictionaries(HEADERS, VALUES, max_size=3), claims=st.dictionaries(CLAIMS, VALUES, max_size=3))
def test_any_header_and_claims_are_believed_or_refused(header: dict[str, Any], claims: dict[str, Any]) -> None:
    token = handmade({**CLIENT.header(), **header}, {**CLIENT.claims(), **claims}, by_ec(EC))
    if _believed(token):
        assert set(header) <= {"jwk", "x5u", "cty"} or all(CLIENT.header().get(k) == v for k, v in header.items())
        expires = {**CLIENT.claims(), **claims}["exp"]
        assert CLIENT.now_s < expires <= CLIENT.now_s + LONGEST_SECONDS


KINDS = st.sampled_from(["*", "Observation", "Task"])
LETTERS = st.sets(st.sampled_from("cruds"), min_size=1).map(frozenset)
SYSTEM = "https://s.example/c"
CATEGORIES = st.sets(st.sampled_from([f"{SYSTEM}|a", f"{SYSTEM}|b", f"{SYSTEM}|c"])).map(frozenset)
SCOPES = st.builds(Scope, KINDS, LETTERS, CATEGORIES).map(lambda s: Scope(s.kind, s.does) if s.kind == "*" else s)


def _allows(scopes: Any, letter: str, kind: str, category: str) -> bool:
    return any(
        letter in s.does and s.kind in (kind, "*") and (not s.categories or category in s.categories) for s in scopes
    )


@given(asked=st.lists(SCOPES, max_size=4), held=st.lists(SCOPES, max_size=4))
def test_what_is_granted_is_exactly_what_is_asked_and_held(asked: list[Scope], held: list[Scope]) -> None:
    given_ = granted(asked, held)
    for letter in "cruds":
        for kind in ("Observation", "Task", "Patient"):
            for category in (f"{SYSTEM}|a", f"{SYSTEM}|b", f"{SYSTEM}|c", f"{SYSTEM}|d"):
                both = _allows(asked, letter, kind, category) and _allows(held, letter, kind, category)
                assert _allows(given_, letter, kind, category) == both
    assert all(parse_scope(text_of(scope)) == scope for scope in given_)


@pytest.mark.parametrize("exp", ["1e3", "1800000100.5", "18000001e2"])
def test_an_exp_that_is_no_whole_number_is_a_number_all_the_same(exp: str) -> None:
    """NumericDate of RFC 7519 section 2 may have a fraction."""
    from service.fhir.json_text import load

    token = handmade(CLIENT.header(), {**CLIENT.claims(), "exp": load(exp)}, by_ec(EC))
    assert _believed(token) == (exp != "1e3")
