"""Which keys a client may register, and how those at a URL are kept.

Sources: RFC 7517 and RFC 7518 section 3.3 (RSA of 2048 bits or more), SMART App Launch 2.2.0 (RS384 and ES384, kid, the
Cache-Control of a key set); how often a set is fetched again is our own choice.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from joserfc.jwk import OctKey, OKPKey
from starlette.testclient import TestClient

from service.access.keys import CLIENT_ALGORITHMS, public_keys, usable_keys
from service.errors import Refused
from service.fhir.json_text import load, write
from service.outbound.addresses import Egress
from service.outbound.fetch import Fetched, HttpFetcher
from service.pipeline import Pipeline
from service.pipeline.access.key_sets import KeySets
from tests.access.clients import TestedClient, by_ec, ec_key, handmade, public_set, register, rsa_key, served, signed
from tests.conftest import Clock
from tests.outbound.receiver import Receiver, receiving

EC, RSA = ec_key(), rsa_key()
EC_PUBLIC, RSA_PUBLIC = (dict(key.as_dict(private=False)) for key in (EC, RSA))


def test_public_keys_of_both_kinds_are_taken() -> None:
    keys = public_keys(public_set(EC, RSA))
    assert {kid: key.algorithms for kid, key in keys.items()} == {"ec-1": ("ES384",), "rsa-1": ("RS384",)}


NOT_TAKEN: list[tuple[str, Any, str]] = [
    ("private EC", dict(EC.as_dict(private=True)), "keys[0].d"),
    ("private RSA", dict(RSA.as_dict(private=True)), "keys[0].d"),
    ("one private part alone", {**RSA_PUBLIC, "dq": "AQAB"}, "keys[0].dq"),
    ("a shared secret", dict(OctKey.generate_key(256, {"kid": "s"}).as_dict(private=True)), "keys[0].k"),
    ("RSA of 1024 bits", dict(rsa_key(bits=1024).as_dict(private=False)), "keys[0].n"),
    ("P-256", dict(ec_key(curve="P-256").as_dict(private=False)), "keys[0].crv"),
    ("P-521", dict(ec_key(curve="P-521").as_dict(private=False)), "keys[0].crv"),
    ("Ed25519", dict(OKPKey.generate_key("Ed25519", {"kid": "o"}).as_dict(private=False)), "keys[0].kty"),
    ("no kid", {k: v for k, v in EC_PUBLIC.items() if k != "kid"}, "keys[0].kid"),
    ("kid that is no text", {**EC_PUBLIC, "kid": 7}, "keys[0].kid"),
    ("a point off the curve", {**EC_PUBLIC, "y": EC_PUBLIC["x"]}, "keys[0]"),
    ("no modulus", {k: v for k, v in RSA_PUBLIC.items() if k != "n"}, "keys[0]"),
    ("for encryption", {**EC_PUBLIC, "use": "enc"}, "keys[0].use"),
    ("for signing alone", {**EC_PUBLIC, "key_ops": ["sign"]}, "keys[0].key_ops"),
    ("RS256", {**RSA_PUBLIC, "alg": "RS256"}, "keys[0].alg"),
    ("ES384 of an RSA key", {**RSA_PUBLIC, "alg": "ES384"}, "keys[0].alg"),
    ("no key", "x", "keys[0]"),
]


@pytest.mark.parametrize(("jwk", "path"), [n[1:] for n in NOT_TAKEN], ids=[n[0] for n in NOT_TAKEN])
def test_a_key_that_does_not_fit_is_refused_with_its_place(jwk: Any, path: str) -> None:
    text = write({"keys": [jwk, EC_PUBLIC | {"kid": "good"}]}).encode()
    with pytest.raises(Refused) as refused:
        public_keys(text)
    assert [p.path for p in refused.value.problems] == [path]
    assert set(usable_keys(text, CLIENT_ALGORITHMS)) == {"good"}


@pytest.mark.parametrize("text", [b"", b"[]", b"{}", b'{"keys": []}', b'{"keys": {}}', b"\xff"])
def test_what_is_no_key_set_is_refused(text: bytes) -> None:
    with pytest.raises(Refused):
        public_keys(text)


def test_a_kid_stands_once() -> None:
    text = public_set(EC, ec_key("ec-1"))
    with pytest.raises(Refused) as refused:
        public_keys(text)
    assert [p.path for p in refused.value.problems] == ["keys[1].kid"]
    assert usable_keys(text, CLIENT_ALGORITHMS) == {}


def test_every_problem_is_told_at_once() -> None:
    jwks = {
        "keys": [{**EC_PUBLIC, "kid": "", "use": "enc"}, dict(RSA.as_dict(private=True)), {"kty": "RSA", "kid": "x"}]
    }
    with pytest.raises(Refused) as refused:
        public_keys(write(jwks).encode())
    assert [p.path for p in refused.value.problems] == ["keys[0].kid", "keys[0].use", "keys[1].d", "keys[2]"]


@dataclass
class Kept:
    """A place that keeps keys; `answers` are given in turn, the last again and again."""

    answers: list[Fetched]
    asked: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def why_not(self, _url: str) -> str:
        return ""

    def fetch(self, url: str, _seconds: float) -> Fetched:
        with self.lock:
            self.asked.append(url)
            return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@dataclass
class Seconds:
    now: float = 1000.0

    def __call__(self) -> float:
        return self.now


URL = "https://keys.lab.example/jwks"


def test_a_set_is_fetched_once_while_it_is_fresh() -> None:
    kept, clock = Kept([Fetched(public_set(EC))]), Seconds()
    sets = KeySets(kept, clock)
    for _ in range(5):
        clock.now += 50
        assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    assert len(kept.asked) == 1
    clock.now += 301
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    assert len(kept.asked) == 2


@pytest.mark.parametrize(("said_s", "kept_s"), [(60, 60), (None, 300), (10**9, 3600), (0, 5)])
def test_a_set_is_kept_as_long_as_its_sender_says_within_bounds(said_s: int | None, kept_s: int) -> None:
    kept, clock = Kept([Fetched(public_set(EC), said_s), Fetched(public_set(ec_key("ec-2")))]), Seconds()
    sets = KeySets(kept, clock)
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    clock.now += kept_s - 1
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    clock.now += 1
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS) is None


def test_a_new_kid_is_looked_for_once_and_not_again_at_once() -> None:
    kept, clock = Kept([Fetched(public_set(EC)), Fetched(public_set(EC, ec_key("ec-2")))]), Seconds()
    sets = KeySets(kept, clock)
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    for _ in range(10):
        assert sets.key(URL, "ec-2", CLIENT_ALGORITHMS) is None
    assert len(kept.asked) == 1
    clock.now += 30
    assert sets.key(URL, "ec-2", CLIENT_ALGORITHMS)
    for _ in range(10):
        assert sets.key(URL, "ec-3", CLIENT_ALGORITHMS) is None
    assert len(kept.asked) == 2


def test_a_place_that_fails_is_left_alone_for_a_while_and_does_not_lose_what_was_fetched() -> None:
    failed = Fetched(failure="The host did not answer in time.")
    kept, clock = Kept([Fetched(public_set(EC)), failed, Fetched(b"<html>"), failed]), Seconds()
    sets = KeySets(kept, clock)
    assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    for _ in range(2):
        clock.now += 31
        assert sets.key(URL, "new", CLIENT_ALGORITHMS) is None
        assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS)
    clock.now += 300
    for _ in range(5):
        assert sets.key(URL, "ec-1", CLIENT_ALGORITHMS) is None
    assert len(kept.asked) == 4


def test_many_at_once_fetch_once() -> None:
    kept = Kept([Fetched(public_set(EC))])
    sets = KeySets(kept, Seconds())
    with ThreadPoolExecutor(16) as pool:
        assert all(pool.map(lambda _: sets.key(URL, "ec-1", CLIENT_ALGORITHMS), range(64)))
    assert len(kept.asked) == 1


def test_the_memory_of_sets_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.pipeline.access.key_sets._MOST_SETS", 3)
    sets = KeySets(Kept([Fetched(public_set(EC))]), Seconds())
    for number in range(5):
        sets.key(f"{URL}/{number}", "ec-1", CLIENT_ALGORITHMS)
    assert list(sets._held) == [f"{URL}/{number}" for number in (2, 3, 4)]


@pytest.fixture
def keeper() -> Iterator[Receiver]:
    with receiving() as found:
        yield found


HERE = Egress("127.0.0.1", on_loopback=True)


@pytest.mark.parametrize(
    ("header", "fresh_s"),
    [
        ("max-age=60", 60),
        ("public, Max-Age=7, immutable", 7),
        ("no-store", 0),
        ("no-cache, max-age=9", 0),
        ("public", None),
    ],
)
def test_a_document_is_fetched_with_how_long_it_may_be_kept(keeper: Receiver, header: str, fresh_s: int | None) -> None:
    keeper.body, keeper.extra_headers = b'{"keys": []}', {"Cache-Control": header}
    assert HttpFetcher(HERE).fetch(keeper.url, 5) == Fetched(b'{"keys": []}', fresh_s)


def test_a_document_that_is_too_long_or_too_slow_is_not_taken(keeper: Receiver) -> None:
    for size in (50_001, 60_000, 5_000_000):
        keeper.body = b"x" * size
        fetched = HttpFetcher(HERE).fetch(keeper.url, 5)
        assert fetched.failure and not fetched.body
    keeper.body, keeper.wait_s = b"{}", 2
    assert HttpFetcher(HERE).fetch(keeper.url, 0.2).failure == "The host did not answer in time."
    keeper.wait_s, keeper.answers = 0, [500]
    assert "500" in HttpFetcher(HERE).fetch(keeper.url, 5).failure
    assert HttpFetcher(HERE).fetch("http://127.0.0.1:9/jwks", 5).failure
    assert "AIRWAY_RELAY_JWKS_HOSTS" in HttpFetcher(Egress("keys.example")).fetch("https://other.example/", 5).failure


@pytest.fixture
def by_url(sqlite_pipeline: Pipeline, tmp_path: Path, keeper: Receiver) -> Iterator[tuple[TestClient, TestedClient]]:
    keeper.body = public_set(EC)
    with served(sqlite_pipeline, tmp_path, jwks_hosts=HERE) as service:
        yield service, register(sqlite_pipeline, EC, keys_url=keeper.url)


def test_a_client_with_keys_at_a_url(by_url: tuple[TestClient, TestedClient], keeper: Receiver, clock: Clock) -> None:
    service, asking = by_url
    for _ in range(3):
        assert service.post("/token", data=asking.form()).status_code == 200
    with_jku = signed(asking.header(jku=keeper.url), asking.claims(), asking.key)
    assert service.post("/token", data=asking.form(with_jku)).status_code == 200
    for foreign in (f"{keeper.url}/", "https://evil.example/jwks", "", None, 7):
        assertion = handmade({**asking.header(), "jku": foreign}, asking.claims(), by_ec(EC))
        answer = service.post("/token", data=asking.form(assertion))
        assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client")
        assert "jku" in answer.json()["error_description"]
    assert keeper.asked == 1
    asking.key = ec_key("ec-2")
    keeper.body = public_set(asking.key)
    assert service.post("/token", data=asking.form()).status_code == 401
    clock.move(seconds=31)
    asking.now_s = clock().timestamp()
    assert service.post("/token", data=asking.form()).status_code == 200
    asking.key = EC
    assert service.post("/token", data=asking.form()).status_code == 401
    assert keeper.asked == 2


def test_a_client_whose_keys_cannot_be_had_gets_nothing(
    by_url: tuple[TestClient, TestedClient], keeper: Receiver
) -> None:
    service, asking = by_url
    keeper.answers = [302]
    answer = service.post("/token", data=asking.form())
    assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client")
    assert load(answer.text)["error_description"].startswith("The client is not known here")
