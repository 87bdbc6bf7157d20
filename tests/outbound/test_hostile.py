"""Everything that calls out, against one corpus: notices to subscribers, and keys fetched from clients.

Nothing of the corpus may be connected to; where a connection would be made is recorded and refused.
"""

from __future__ import annotations

from collections.abc import Callable

import httpcore
import pytest

from service.access.grant import Office
from service.errors import Refused
from service.fhir.json_text import write
from service.outbound.addresses import Egress
from service.outbound.fetch import HttpFetcher
from service.outbound.pinned import Resolver
from service.outbound.senders import HttpSender
from service.pipeline import Pipeline
from service.pipeline.access.registry import Registry
from service.pipeline.subscriptions import Subscriptions
from tests.conftest import SEAL
from tests.outbound.asked import subscription
from tests.outbound.hostile import LED_ASTRAY, LISTED, URLS
from tests.outbound.receiver import receiving

_URL = "https://hooks.office.example/x"


@pytest.fixture
def connected(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    seen: list[str] = []

    class Nowhere(httpcore.SyncBackend):
        def connect_tcp(self, host: str, port: int, *_args: object, **_kw: object) -> httpcore.NetworkStream:
            seen.append(host)
            raise httpcore.ConnectError()

    monkeypatch.setattr(httpcore, "SyncBackend", Nowhere)
    return seen


Call = Callable[[str, Egress, Resolver], str]


def _notice(url: str, egress: Egress, resolver: Resolver) -> str:
    return HttpSender(egress, resolver).send(url, [], b"{}", 5).failure


def _keys(url: str, egress: Egress, resolver: Resolver) -> str:
    return HttpFetcher(egress, resolver).fetch(url, 5).failure


CALLS = pytest.mark.parametrize("call", [_notice, _keys], ids=["notice", "keys"])


@CALLS
def test_no_url_of_the_corpus_is_called(call: Call, connected: list[str]) -> None:
    asked: list[str] = []

    def resolver(host: str, _port: int) -> list[str]:
        asked.append(host)
        return ["93.184.216.34"]

    assert len(URLS) > 80
    for url in URLS:
        assert call(url, Egress(LISTED), resolver), url
    assert (connected, asked) == ([], [])
    assert call(_URL, Egress(LISTED), resolver)
    assert (connected, asked) == (["93.184.216.34"], ["hooks.office.example"]), "the same way would connect"


@CALLS
@pytest.mark.parametrize("addresses", LED_ASTRAY, ids=lambda a: " ".join(a) or "nothing")
def test_a_listed_name_that_leads_astray_is_not_called(call: Call, connected: list[str], addresses: list[str]) -> None:
    assert call(_URL, Egress(LISTED), lambda _host, _port: addresses)
    assert connected == []


@CALLS
def test_a_name_that_is_public_when_checked_and_private_when_called_is_looked_up_once(
    call: Call, connected: list[str]
) -> None:
    answers = [["93.184.216.34"], ["127.0.0.1"]]
    assert call(_URL, Egress(LISTED), lambda _host, _port: answers.pop(0))
    assert connected == ["93.184.216.34"]
    assert call(_URL, Egress(LISTED), lambda _host, _port: answers.pop(0))
    assert connected == ["93.184.216.34"]


@CALLS
@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_no_redirect_is_followed(call: Call, status: int) -> None:
    with receiving() as target, receiving() as first:
        first.answers = [status]
        first.extra_headers = {"Location": target.url}
        egress = Egress("127.0.0.1", on_loopback=True)
        failure = call(first.url, egress, lambda host, _port: [host])
        assert str(status) in failure and "redirect" in failure
        assert first.asked == 1 and target.asked == 0


def test_no_url_of_the_corpus_is_taken_for_a_subscription_or_for_keys(sqlite_pipeline: Pipeline) -> None:
    """They are refused when they are given, and again when they are called (above)."""
    egress = Egress(LISTED)
    subscriptions = Subscriptions(sqlite_pipeline.database, egress, SEAL)
    registry = Registry(sqlite_pipeline, HttpFetcher(egress).why_not)
    for url in URLS:
        with pytest.raises(Refused):
            subscriptions.create(write(subscription(url)).encode(), "http://here.example/fhir", "1")
        with pytest.raises(Refused) as refused:
            registry.add("A", [Office.PHYSICIAN], "p-1", "P", ["system/Task.r"], keys_url=url)
        assert [p.path for p in refused.value.problems] == ["jwks-url"], url
    assert registry.listed() == []
    assert subscriptions.create(write(subscription(_URL)).encode(), "http://here.example/fhir", "1")
    assert registry.add("A", [Office.PHYSICIAN], "p-1", "P", ["system/Task.r"], keys_url=_URL)
