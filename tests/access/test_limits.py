"""Whoever fails to prove who they are is slowed down; the rightful client is not shut out.

Common practice, no source; 429 and Retry-After are of RFC 6585 section 4 and RFC 9110.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.access.limits import MOST_FAILURES, SECONDS_PER_FAILURE, Failures, Limiter, Thinned, address_group
from service.app import build_app
from service.pipeline import Pipeline
from tests.access.clients import TestedClient, access_settings, register
from tests.conftest import Clock

From = Callable[[str], TestClient]


@pytest.fixture
def from_address(sqlite_pipeline: Pipeline, tmp_path: Path) -> From:
    app = build_app(access_settings(tmp_path), sqlite_pipeline)
    return lambda address: TestClient(app, client=(address, 50_000))


@pytest.fixture
def asking(sqlite_pipeline: Pipeline) -> TestedClient:
    return register(sqlite_pipeline)


def _fail(service: TestClient, asking: TestedClient, times: int) -> list[int]:
    return [service.post("/token", data=asking.form(asking.assertion(aud="x"))).status_code for _ in range(times)]


def test_an_address_that_fails_is_slowed_and_heard_again(
    from_address: From, asking: TestedClient, clock: Clock
) -> None:
    there = from_address("192.0.2.7")
    assert _fail(there, asking, MOST_FAILURES) == [401] * MOST_FAILURES
    slowed = there.post("/token", data=asking.form())
    assert slowed.status_code == 429
    assert slowed.json()["error"] == "temporarily_unavailable"
    assert 0 < int(slowed.headers["retry-after"]) <= SECONDS_PER_FAILURE
    assert _fail(there, asking, 5) == [429] * 5
    clock.move(seconds=int(slowed.headers["retry-after"]))
    asking.now_s = clock().timestamp()
    assert there.post("/token", data=asking.form()).status_code == 200


def test_the_rightful_client_passes_while_others_fail_under_its_name(from_address: From, asking: TestedClient) -> None:
    for number in range(3):
        _fail(from_address(f"192.0.2.{number}"), asking, MOST_FAILURES)
    assert _fail(from_address("192.0.2.9"), asking, 1) == [429]
    assert from_address("198.51.100.1").post("/token", data=asking.form()).status_code == 200


def test_the_rightful_client_passes_from_where_it_proved_itself_before(
    from_address: From, asking: TestedClient, sqlite_pipeline: Pipeline
) -> None:
    shared, other = from_address("192.0.2.7"), register(sqlite_pipeline)
    assert shared.post("/token", data=asking.form()).status_code == 200
    _fail(shared, other, 2 * MOST_FAILURES)
    assert shared.post("/token", data=other.form()).status_code == 429
    assert shared.post("/token", data=asking.form()).status_code == 200


def test_what_cannot_be_read_counts_for_the_address(from_address: From, asking: TestedClient) -> None:
    there = from_address("192.0.2.7")
    for _ in range(MOST_FAILURES):
        assert there.post("/token", data=asking.form("x.y.z")).status_code == 401
    assert there.post("/token", data=asking.form("x.y.z")).status_code == 429
    assert from_address("192.0.2.8").post("/token", data=asking.form()).status_code == 200


def test_the_neighbours_of_the_token_endpoint_are_no_way_around(from_address: From, asking: TestedClient) -> None:
    there = from_address("192.0.2.7")
    for _ in range(MOST_FAILURES):
        there.post("/introspect", data=asking.form(asking.assertion(aud="x"), token="t"))
    assert there.post("/revoke", data=asking.form(token="t")).status_code == 429
    assert there.post("/token", data=asking.form()).status_code == 429


def test_failures_run_down_with_time() -> None:
    failures = Failures()
    for _ in range(3 * MOST_FAILURES):
        failures.add("a", 1000)
    assert failures.wait_s("a", 1000) == SECONDS_PER_FAILURE
    assert failures.wait_s("b", 1000) == 0
    assert failures.wait_s("a", 1000 + SECONDS_PER_FAILURE) == 0
    assert failures.wait_s("a", 900) == SECONDS_PER_FAILURE, "a clock set back lets nobody in"
    failures.forget("a")
    assert failures.wait_s("a", 1000) == 0


def test_the_memory_of_failures_is_bounded() -> None:
    failures = Failures(most_kept=100)
    for number in range(1000):
        failures.add(str(number), 1000)
    assert len(failures) == 100
    limiter = Limiter()
    for number in range(20_000):
        limiter.proved(f"c{number}", "192.0.2.1")
        limiter.failed(f"c{number}", f"10.{number // 65_536}.{number // 256 % 256}.{number % 256}", 1000)
    assert max(len(limiter._proved), len(limiter._addresses), len(limiter._clients)) == 10_000


@pytest.mark.parametrize(
    ("address", "group"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("testclient", "testclient"),
        ("", ""),
    ],
)
def test_what_counts_as_one_address(address: str, group: str) -> None:
    assert address_group(address) == group


def test_what_is_left_out_is_counted_in_a_bounded_memory() -> None:
    thinned = Thinned(most_kept=2)
    for address in ("192.0.2.1", "192.0.2.2", "192.0.2.3"):
        assert [thinned.left_out_before(address, 0) for _ in range(MOST_FAILURES)] == [0] * MOST_FAILURES
        assert [thinned.left_out_before(address, 0) for _ in range(2)] == [None, None]
    later = SECONDS_PER_FAILURE
    assert thinned.left_out_before("192.0.2.1", later) == 0
    assert thinned.left_out_before("192.0.2.3", later) == 2
